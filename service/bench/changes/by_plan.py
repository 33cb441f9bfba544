"""At the bench: what departs from the plan a record was begun by is asked about, and kept."""

from collections.abc import Mapping, Sequence

from service.designs.arithmetic.pile import Layer
from service.planning.queries.plans import (
    Progress,
    against,
    lifted_though_staying,
    plan_of_record,
    planned_next,
    staying_by_plan,
)
from service.platform.database import Work
from service.records.changes.deviations import Answered, Deviation, ask_whether_it_stands
from service.records.queries.working_piles import WorkingPile, working_pile
from service.records.tables import Step


def lifted_beside_plan(
    work: Work, record_id: int, now: WorkingPile, layers: Sequence[Layer], answered: Answered
) -> dict[int, Deviation]:
    """Return which of these layers stay by the plan, by part, and why they are lifted off.

    Raises Question until it is answered.
    """
    plan = plan_of_record(work.session, record_id)
    staying = staying_by_plan(plan, now, layers) if plan else ()
    if plan is None or not staying:
        return {}
    labels = ", ".join(f"{layer.kind} {layer.label}" for layer in staying)
    because = ask_whether_it_stands(
        work.session,
        answered,
        value=labels,
        reason=f"plan {plan.id} leaves {labels} where it is.",
        right="Leave it in the stack.",
        words="Lift it off all the same",
        facts={"part": labels, "plan": f"plan {plan.id}"},
    )
    return {
        layer.part: Deviation(f"Plan {plan.id}: {lifted_though_staying(layer)}", because)
        for layer in staying
    }


def keep_deviation(step: Step, deviations: Mapping[int, Deviation]) -> Deviation | None:
    """Keep with an entry how its part departs from the plan; None where it does not."""
    deviation = deviations.get(step.part_id or 0)
    if deviation is not None:
        step.deviation, step.deviation_because = deviation.text, deviation.because
    return deviation


def progress_before(work: Work, record_id: int) -> Progress | None:
    """Return how the record stands against its plan before an entry; None without a plan."""
    plan = plan_of_record(work.session, record_id)
    if plan is None:
        return None
    return against(plan, working_pile(work.session, record_id), is_being_written=True)


def put_on_beside_plan(
    work: Work, step: Step, before: Progress | None, label: str, answered: Answered
) -> Deviation | None:
    """Return what a layer that was put on departs from in the plan; None where it was planned.

    ``before`` is how the record stood without it. Raises Question until it is answered.
    """
    if before is None:
        return None
    work.session.flush()
    pile = working_pile(work.session, step.record_id)
    now = against(before.plan, pile, is_being_written=True)
    departs = " ".join(
        departure for departure in now.departures if departure not in before.departures
    )
    if not departs:
        return None
    planned = planned_next(work.session, before, step.end) if step.end else None
    facts = {"part": label, "plan": f"plan {before.plan.id}"}
    right = "Lay it aside."
    if planned is not None:
        facts["planned"] = planned.words
        right = f"Lay it aside and take {planned.words}."
        if planned.now:
            facts["planned part is now"] = planned.now
            right = f"Lay it aside and take {planned.words}, now {planned.now}."
    because = ask_whether_it_stands(
        work.session,
        answered,
        value=label,
        reason=f"plan {before.plan.id} says something else. {departs}",
        right=right,
        words="Put it on all the same",
        facts=facts,
    )
    deviation = Deviation(f"Plan {before.plan.id}: {departs}", because)
    step.deviation, step.deviation_because = deviation.text, deviation.because
    return deviation
