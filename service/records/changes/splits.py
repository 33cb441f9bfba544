"""A stack split in two: a new stack begins with parts lifted off the old one.

The new stack keeps which build it was split from and begins with no hours; its parts keep theirs.
The old stack goes on where its record closes it again, and ends where that takes it apart.
"""

from datetime import datetime

from service.platform.audit import Event
from service.platform.database import Work
from service.platform.errors import Refused
from service.platform.permissions import Act, need
from service.records.changes import journal
from service.records.changes.bench_opening import done_while_open, refuse_closed
from service.records.changes.donations import take_parts_from
from service.records.changes.rebuild_records import begin_record
from service.records.tables import RecordKind
from service.stacks.changes.stacks import FirstMeter, make_stack
from service.stacks.tables import Build, Stack


def split_off(
    work: Work,
    record_id: int,
    version: int | None,
    *,
    serial: str,
    place: str = "",
    done_at: datetime | None = None,
) -> int:
    """Make a stack of the same design from the one that lies open; give its first record's number.

    That record names this one as where its parts come from. Raises Refused for a stack that was
    never built, is not open or is closed again, and for a serial that is in use.
    """
    need(work.by, Act.STACK_WRITE)
    record = journal.lock_record(work, record_id, version)
    refuse_closed(record)
    at = done_while_open(work, record, done_at)
    parent = work.session.get_one(Stack, record.stack_id)
    if record.base_build_id is None:
        right = "Split it once it was built and lies open."
        raise Refused("record", f"record {record_id}", "nothing was built that is split.", right)
    build = work.session.get_one(Build, record.base_build_id)
    origin = f"{parent.serial}, build {build.number}"
    meter = FirstMeter(fitted_at=at)
    stack, design = make_stack(
        work, serial=serial, design_id=parent.design_id, place=place, meter=meter
    )
    stack.origin_build_id = build.id
    work.note(
        Event.STACK_ADDED,
        ("stack", stack.id, stack.serial),
        [
            ("serial", None, stack.serial),
            ("design", None, f"{design.name} {design.revision}"),
            ("split from", None, origin),
            ("hour meter", None, f"{meter.hours:g} h"),
        ],
        stack_id=stack.id,
    )
    first = begin_record(
        work,
        stack_id=stack.id,
        kind=RecordKind.FIRST_BUILD,
        reason=f"Split from {origin}.",
        performed_from=at,
    )
    take_parts_from(work, first, None, donor_record_id=record_id, done_at=at)
    split = ("split into", None, f"{stack.serial}, record {first}")
    journal.finish_entry(work, record, journal.TrailNote("split", (split,)))
    return first
