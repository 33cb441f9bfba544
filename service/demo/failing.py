"""The rules by which MEAs count as failing, and who was confirmed. Figures invented for the demo.

HM-0117 is the main story; those of the short stacks were found when their lists were taken over.
HM-0130 in HERON-03 and SM-0522 in STORK-01 meet the rule and wait for somebody to look.
"""

from datetime import datetime

from service.demo.days import FRI, MON, When, ago
from service.demo.heron import FAILING
from service.demo.lab import Entry, Lab, put_in_force
from service.demo.lapwing import STACKS, Short
from service.life.arithmetic.failing_rules import Criterion, CriterionKind, FailingRule
from service.life.arithmetic.grounds import GroundKind, MeaWord
from service.life.changes.failing_marks import confirm_failing
from service.life.changes.failing_rules import propose_rule
from service.life.queries.grounds import grounds_offered

SOURCE = "invented for the demo, not for any real stack"
VOLTAGE, LOSS, AMONG = CriterionKind.VOLTAGE, CriterionKind.LOSS, CriterionKind.AMONG_CELLS
RULES = {
    "Heron": FailingRule(
        (
            Criterion(VOLTAGE, 0.55, readings=2),
            Criterion(LOSS, 8.0, readings=3, first_hours_h=150.0),
        ),
        reference_density_a_cm2=0.8,
    ),
    "Wren": FailingRule(
        (Criterion(VOLTAGE, 0.55, readings=2),),
        reference_density_a_cm2=0.8,
    ),
    "Stork": FailingRule(
        (
            Criterion(VOLTAGE, 0.55, readings=2),
            Criterion(AMONG, 4.0, readings=5),
        ),
        reference_density_a_cm2=0.8,
    ),
}
WAITING = "HM-0130"
SUSPECTED_FIRST = "HM-0110"
FAILED = (
    (FAILING, ago(12, MON, "15:30"), "Cell 10 fell to 0.31 V; pinholes at the fuel inlet corner."),
    ("HM-0110", ago(57, MON, "15:00"), "Crossed over; torn along the frame, air outlet side."),
)


def _write(lab: Lab, when: When) -> None:
    with lab.work(when, "keiko") as work:
        proposed = [
            propose_rule(
                work,
                lab.designs[design],
                rule,
                source=SOURCE,
                reason="So that everybody here means the same by a failing MEA.",
            )
            for design, rule in RULES.items()
        ]
    put_in_force(lab, when, proposed)


def _confirm(lab: Lab, when: When) -> None:
    with lab.work(when, "keiko") as work:
        for mea, since, why in FAILED:
            part_id, failed_at = lab.parts[mea], lab.days.at(since)
            if mea == SUSPECTED_FIRST:
                confirm_failing(
                    work,
                    part_id,
                    says=MeaWord.SUSPECTED,
                    failed_at=failed_at,
                    grounds=[],
                    reason="Its cell ran low; nothing was seen on it yet.",
                )
            offered = grounds_offered(work.session, part_id)
            confirm_failing(
                work,
                part_id,
                failed_at=failed_at,
                grounds=[of.key for of in offered if of.kind is GroundKind.FINDING],
                reason=why,
            )
        worn = max(STACKS, key=lambda short: short.hours)
        confirm_failing(
            work,
            lab.parts[worn.meas[0]],
            says=MeaWord.END_OF_LIFE,
            failed_at=worn.ran(lab)[1],
            grounds=["hours"],
            reason="It ran all hours the annex planned for it, and shows nothing.",
        )
        for short in STACKS:
            for cell, hours in short.failed:
                confirm_failing(
                    work,
                    lab.parts[short.meas[cell - 1]],
                    failed_at=at_hours(lab, short, hours),
                    grounds=["voltage"],
                    reason=f"Cell {cell} fell away within a day by the annex's book;"
                    " the stack was stopped for it.",
                )


def at_hours(lab: Lab, short: Short, hours: float) -> datetime:
    """Say when a short stack had run so many hours: evenly from its closing to its stop."""
    closed, stopped = short.ran(lab)
    return closed + (stopped - closed) * (hours / short.hours)


def entries() -> list[Entry]:
    """Return the rules written and MEAs confirmed."""
    return [
        Entry(ago(3, FRI, "14:00"), "rules for failing MEAs", _write),
        Entry(ago(2, MON, "09:40"), "failing MEAs confirmed", _confirm),
    ]
