"""Changeover plans: made for a stack as it stands, and opened as the record of the rebuild."""

from collections.abc import Sequence
from datetime import datetime

from sqlalchemy import select

from service.planning.queries.documents import PickLine
from service.planning.queries.working_out import Ask, WorkedOut, ground_of, work_out, write_wishes
from service.planning.tables import ChangeoverPlan
from service.platform import changes
from service.platform.audit import Event
from service.platform.database import Work
from service.platform.errors import Refused
from service.platform.permissions import Act, need
from service.records.changes.rebuild_records import People, begin_record
from service.records.tables import RecordKind
from service.stacks.tables import BuildPeriod, Stack
from service.store.changes.part_axes import reserve_part
from service.store.tables import Part


def make_plan(
    work: Work,
    *,
    stack_id: int,
    ask: Ask,
    note: str,
    reserve: bool = False,
    seen_sha256: str | None = None,
) -> int:
    """Keep the plan for a change of a stack, as it is worked out now; give its number.

    ``note`` says why the change is made. ``reserve``: the parts picked from store are reserved for
    the stack. ``seen_sha256`` is the hash of the plan the form showed, None where none was shown.
    Raises NotFound; Refused where no plan can be made, the rods do not do, or the plan is no
    longer the one that was shown; the trade's OutOfRange and Inconsistent for wishes that cannot
    be.
    """
    need(work.by, Act.RECORD_WRITE)
    why = changes.reason(note, field="note")
    work.refuse_nobody("made by", "a plan is made by a person.")
    stack = work.locked(Stack, stack_id, "stack")
    ground = ground_of(work.session, stack_id)
    worked = work_out(work.session, ground, ask)
    _refuse(worked, seen_sha256)
    build = ground.shown.build
    row = ChangeoverPlan(
        stack_id=stack_id,
        base_build_id=build.build_id if build else 0,
        wishes=write_wishes(ask.wishes),
        content=worked.content,
        content_sha256=worked.content_sha256,
        note=why,
        made_by_id=work.by.id,
        made_at=work.now,
        record_id=None,
    )
    work.session.add(row)
    work.session.flush()
    work.note(
        Event.PLAN_MADE,
        ("changeover plan", row.id, f"changeover plan {row.id}"),
        [
            ("stack", None, stack.serial),
            ("from build", None, worked.document.build),
            ("wishes", None, " ".join(worked.document.wishes)),
            ("content", None, worked.content_sha256),
        ],
        reason=why,
        stack_id=stack_id,
    )
    if reserve:
        _reserve(work, row, worked.document.picks)
    return row.id


def begin_record_from_plan(
    work: Work,
    plan_id: int,
    *,
    performed_from: datetime,
    people: People = (),
    writer_took_part: bool = True,
) -> int:
    """Begin the rebuild record a plan was made for; give its number.

    Raises NotFound; Refused where a record was begun by it before, where the stack is no longer
    in the build the plan was made for, and as `begin_record` does.
    """
    need(work.by, Act.RECORD_WRITE)
    row = work.locked(ChangeoverPlan, plan_id, "changeover plan")
    if row.record_id is not None:
        raise Refused(
            "plan",
            f"changeover plan {plan_id}",
            f"record {row.record_id} was begun by it.",
            "Go on in that record, or make a new plan.",
        )
    present = work.session.scalar(
        select(BuildPeriod.build_id).where(
            BuildPeriod.stack_id == row.stack_id,
            BuildPeriod.known_until.is_(None),
            BuildPeriod.opened_at.is_(None),
        )
    )
    if present != row.base_build_id:
        raise Refused(
            "plan",
            f"changeover plan {plan_id}",
            "the stack is no longer in the build it was made for.",
            "A new plan for the present build would be right.",
        )
    record_id = begin_record(
        work,
        stack_id=row.stack_id,
        kind=RecordKind.REBUILD,
        reason=row.note,
        performed_from=performed_from,
        people=people,
        writer_took_part=writer_took_part,
    )
    row.record_id = record_id
    work.note(
        Event.PLAN_OPENED,
        ("changeover plan", plan_id, f"changeover plan {plan_id}"),
        [("record", None, record_id)],
        stack_id=row.stack_id,
        record_id=record_id,
    )
    return record_id


def _refuse(worked: WorkedOut, seen_sha256: str | None) -> None:
    if worked.document.refusals:
        raise Refused("wishes", "", " ".join(worked.document.refusals))
    if seen_sha256 is not None and seen_sha256 != worked.content_sha256:
        raise Refused(
            "wishes",
            "",
            "the stack or the store has changed since the plan was shown.",
            "Look at it as it is now, and keep it then.",
        )


def _reserve(work: Work, row: ChangeoverPlan, picks: Sequence[PickLine]) -> None:
    """Reserve what lies in store; what is taken over from another stack cannot be."""
    parts = [pick.part for pick in picks if pick.part is not None and not pick.taken_from]
    reserved = set(
        work.session.scalars(
            select(Part.id).where(Part.id.in_(parts), Part.reserved_for_stack_id == row.stack_id)
        )
    )
    for part in parts:
        if part not in reserved:
            reserve_part(
                work, part, stack_id=row.stack_id, reason=f"Picked by changeover plan {row.id}."
            )
