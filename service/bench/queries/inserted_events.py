"""What follows from an event that is entered after later ones: what rests on it, what stands in
its way.

What it says counts like in any record; what later records rest on is computed anew when it is
approved.
"""

import json
from collections import defaultdict
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import datetime
from difflib import SequenceMatcher
from itertools import zip_longest
from typing import Any

from sqlalchemy import and_, select
from sqlalchemy.orm import Session, aliased

from service.bench.queries.correction_effects import others_at_that_time
from service.bench.queries.correction_preview import Follows
from service.bench.queries.corrections import place_of
from service.closing.queries.closing_results import closings_anew
from service.designs.arithmetic.pile import Layer
from service.people.queries.people import with_login
from service.people.tables import Person
from service.platform.arithmetic.dates import in_utc
from service.platform.audit import Event
from service.platform.queries.answers import columns, read_all
from service.platform.queries.statements import known
from service.platform.tables import AuditEntry
from service.proof.queries.build_verdicts import verdicts_of_build
from service.records.queries.inserted import came_before, opened_since
from service.records.queries.records import RecordHead
from service.records.queries.working_piles import (
    FixingNow,
    fixings_of_build,
    layers_of_build,
    pile_known_now,
    working_pile,
)
from service.records.tables import (
    Decision,
    Meaning,
    RebuildRecord,
    RecordKind,
    RecordState,
    Step,
    StepKind,
)
from service.runs.tables import PolarisationCurve, Run, RunReading, Snapshot
from service.stacks.queries.release_standing import released_builds, releases_ended_by
from service.stacks.tables import Build, BuildPeriod, CellBridge

OF_SIGNING = ("version", "state", "content signed")
"""What the trail says of an approval besides what followed it."""


@dataclass(frozen=True, slots=True)
class LaterRecord:
    """A record of a later event, with who approved it before this one was known."""

    id: int
    kind: RecordKind
    state: RecordState
    performed_from: datetime
    approved_by: str | None
    approved_at: datetime | None


@dataclass(frozen=True, slots=True)
class InsertedEvent:
    """An event before others: what follows from it, as it would be or as it was done.

    ``conflicts`` stand against approving it, each with what would be right. ``is_opening``: its
    build takes its place between the others once it is approved.
    """

    later: tuple[LaterRecord, ...]
    rows: tuple[Follows, ...] = ()
    conflicts: tuple[str, ...] = ()
    is_opening: bool = False


def inserted_event(session: Session, head: RecordHead) -> InsertedEvent | None:
    """Return what follows from a record entered after later ones; None: it is the latest.

    A constant number of statements, and some for each closing it computes anew.
    """
    if head.inserted_before is None:
        return None
    later = _later(session, head.id)
    if head.state is RecordState.APPROVED:
        return InsertedEvent(later, tuple(_as_done(session, head.id)))
    conflicts = tuple(_conflicts(session, head))
    opening = inserted_opening(session, head)
    if opening is None:
        return InsertedEvent(later, derived_anew(session, head), conflicts)
    rows = (*_takes_its_place(session, opening), *derived_anew(session, head))
    conflicts += tuple(_against_opening(session, opening, later))
    return InsertedEvent(later, rows, conflicts, is_opening=True)


def derived_anew(session: Session, head: RecordHead) -> tuple[Follows, ...]:
    """Return what rests on an event entered after later ones and is another one with it."""
    return tuple(row for row in _follows(session, head) if row.before != row.after)


def _later(session: Session, record_id: int) -> tuple[LaterRecord, ...]:
    this = aliased(RebuildRecord)
    rows = session.execute(
        select(
            *columns(
                LaterRecord,
                RebuildRecord,
                approved_by=with_login(Person, Decision.person_name),
                approved_at=Decision.at,
            )
        )
        .join(this, this.stack_id == RebuildRecord.stack_id)
        .outerjoin(
            Decision,
            (Decision.record_id == RebuildRecord.id)
            & (Decision.meaning == Meaning.APPROVED)
            & Decision.correction_id.is_(None),
        )
        .outerjoin(Person, Person.id == Decision.person_id)
        .where(
            this.id == record_id,
            came_before(this, RebuildRecord),
            RebuildRecord.id < record_id,
            RebuildRecord.state != RecordState.VOID,
        )
        .order_by(RebuildRecord.performed_from, RebuildRecord.id)
    )
    return read_all(LaterRecord, rows)


def _follows(session: Session, head: RecordHead) -> Iterator[Follows]:
    for number in releases_ended_by(session, head.id):
        yield _release_ends(head, number)
    yield from _tests(session, head)
    released = released_builds(session, head.stack_id)
    for anew in list(closings_anew(session, head.stack_id, (), rests_on=head.id)):
        yield from (Follows(*row) for row in anew.rows)
        if anew.build_id in released:
            yield _release_ends(head, released.pop(anew.build_id))


def _release_ends(head: RecordHead, number: int) -> Follows:
    release = f"release of build {number} of {head.stack}"
    return Follows(release, "released", f"ended by record {head.id}")


def _tests(session: Session, head: RecordHead) -> Iterator[Follows]:
    """Verdicts of earlier tests of the build that it makes out of date."""
    closed = verdicts_of_build(session, head.base_build_id or 0)
    for test in closed.tests:
        deeds = {deed.words for deed in test.outdated_by.values() if deed.record_id == head.id}
        if test.made.stands and deeds:
            made = f"{test.made.what}, entry {test.made.sequence} of record {test.made.record_id}"
            yield Follows(made, str(test.made.verdict), f"test again: {', '.join(deeds)}")


def _conflicts(session: Session, head: RecordHead) -> Iterator[str]:
    """Entries outside the time the build was closed, as that is known by now."""
    period = session.execute(
        select(
            Build.number,
            Build.record_id,
            BuildPeriod.closed_at,
            BuildPeriod.opened_at,
            BuildPeriod.opened_by_record_id,
        )
        .join(BuildPeriod, (BuildPeriod.build_id == Build.id) & known(BuildPeriod))
        .where(Build.id == head.base_build_id)
    ).one()
    entries = session.execute(
        select(Step.sequence, Step.kind, Step.done_at)
        .where(
            Step.record_id == head.id,
            Step.undone_at.is_(None),
            Step.kind.not_in((StepKind.NOT_DONE, StepKind.OPENED, StepKind.CLOSED)),
        )
        .order_by(Step.sequence)
    )
    right = (
        f"Correct that time in record {{}}, or send record {head.id} back and put its own right."
    )
    for entry in entries:
        done = f"Entry {entry.sequence} ({entry.kind}) was done {entry.done_at:%Y-%m-%d %H:%M} UTC"
        if entry.done_at < period.closed_at:
            yield (
                f"{done}, but build {period.number} was closed later,"
                f" {period.closed_at:%Y-%m-%d %H:%M} UTC. {right.format(period.record_id)}"
            )
        elif (
            period.opened_at is not None
            and period.opened_by_record_id != head.id
            and entry.done_at >= period.opened_at
        ):
            yield (
                f"{done}, but build {period.number} was opened before,"
                f" {period.opened_at:%Y-%m-%d %H:%M} UTC."
                f" {right.format(period.opened_by_record_id)}"
            )


def _as_done(session: Session, record_id: int) -> Iterator[Follows]:
    """What the trail tells of its approval."""
    text = session.scalar(
        select(AuditEntry.changes)
        .where(
            AuditEntry.record_id == record_id,
            AuditEntry.act == Event.RECORD_APPROVED.value,
        )
        .order_by(AuditEntry.id.desc())
        .limit(1)
    )
    for name, was, now in json.loads(text) if text else ():
        if name not in OF_SIGNING:
            yield Follows(name, str(was), str(now))


# An opening: a build of its own, between the one it opened and the next opening of that.


@dataclass(frozen=True, slots=True)
class InsertedOpening:
    """An opening before that by which its build was known to end, and the build it made.

    ``before`` is when its build is known to have been opened as long as it is not approved.
    """

    record_id: int
    stack_id: int
    base_id: int
    base: int
    build_id: int | None
    build: int | None
    opened_at: datetime
    closed_at: datetime
    next_id: int
    before: datetime

    def comes_after(self, record: Any) -> Any:
        """Say whether a record is about the build this one made, though it was not known then."""
        return and_(
            record.base_build_id == self.base_id,
            record.id != self.record_id,
            record.performed_from >= self.closed_at,
        )


def inserted_opening(session: Session, head: RecordHead) -> InsertedOpening | None:
    """Return what an opening and closing before a later opening says; None where it is none."""
    since = opened_since(session, head)
    if since is None or head.opened_at is None or head.closed_at is None:
        return None
    return InsertedOpening(
        head.id,
        head.stack_id,
        head.base_build_id or 0,
        since.number,
        head.build_id,
        head.build,
        head.opened_at,
        head.closed_at,
        since.record_id,
        since.opened_at,
    )


def _takes_its_place(session: Session, opening: InsertedOpening) -> Iterator[Follows]:
    base, build = f"build {opening.base}", f"build {opening.build or 'of this record'}"
    until = in_utc(opening.before)
    yield Follows(f"{base}, opened", until, in_utc(opening.opened_at))
    stood = f"closed {in_utc(opening.closed_at)}, opened {until} by record {opening.next_id}"
    yield Follows(build, "not known", stood)
    about = session.execute(
        select(RebuildRecord.id, RebuildRecord.kind)
        .where(opening.comes_after(RebuildRecord), RebuildRecord.state != RecordState.VOID)
        .order_by(RebuildRecord.performed_from, RebuildRecord.id)
    )
    yield from (Follows(f"record {row.id} ({row.kind}) is about", base, build) for row in about)
    runs = session.execute(
        select(Run.id, Run.name)
        .join(RunReading, RunReading.run_id == Run.id)
        .where(
            RunReading.build_id == opening.base_id,
            known(RunReading),
            RunReading.began_at >= opening.closed_at,
        )
        .order_by(RunReading.began_at)
    )
    yield from (Follows(f"run {row.id}, {row.name}", base, build) for row in runs)


def _against_opening(
    session: Session, opening: InsertedOpening, later: Iterable[LaterRecord]
) -> Iterator[str]:
    """What stands against a build between two others, each with what would be right."""
    right = f"or send record {opening.record_id} back and put it right."
    for each in later:
        if each.state is not RecordState.APPROVED:
            yield (
                f"Record {each.id} ({each.kind}) came later and is {each.state}: decide on it"
                " first."
            )
    while_open = session.execute(
        select(RebuildRecord.id, RebuildRecord.kind, RebuildRecord.performed_from).where(
            RebuildRecord.base_build_id == opening.base_id,
            RebuildRecord.id != opening.record_id,
            RebuildRecord.state != RecordState.VOID,
            RebuildRecord.performed_from >= opening.opened_at,
            RebuildRecord.performed_from < opening.closed_at,
        )
    )
    for row in while_open:
        yield (
            f"Record {row.id} ({row.kind}) found the stack closed, {in_utc(row.performed_from)},"
            f" but this record has it open from {in_utc(opening.opened_at)} to"
            f" {in_utc(opening.closed_at)}. Correct the times of record {row.id}, {right}"
        )
    for table, began, ended, what in ABOUT_A_BUILD:
        times = session.scalars(
            select(began).where(
                table.build_id == opening.base_id,
                known(table),
                began < opening.closed_at,
                ended > opening.opened_at,
            )
        )
        for at in times:
            yield (
                f"The {what} of {in_utc(at)} fell into the time in which this record has the stack"
                f" open. Correct its time, {right}"
            )
    if opening.build_id is not None:
        yield from (
            f"{clash} Correct that, {right}"
            for clash in others_at_that_time(
                session, opening.build_id, opening.stack_id, opening.closed_at, opening.before
            )
        )
    yield from _contradictions(session, opening, right)


ABOUT_A_BUILD: tuple[tuple[Any, Any, Any, str], ...] = (
    (RunReading, RunReading.began_at, RunReading.ended_at, "run"),
    (Snapshot, Snapshot.from_at, Snapshot.until_at, "reading of cell voltages"),
    (PolarisationCurve, PolarisationCurve.taken_at, PolarisationCurve.taken_at, "curve"),
    (CellBridge, CellBridge.from_at, CellBridge.until_at, "bridge of a cell"),
)
"""What else is about a build: from when, to when, and what it is called."""


def _contradictions(session: Session, opening: InsertedOpening, right: str) -> Iterator[str]:
    """Parts that it leaves otherwise than the next opening found them."""
    left_pile = pile_known_now(session, opening.record_id)
    left = _in_order(left_pile.layers, left_pile.fixings)
    entered = working_pile(session, opening.next_id)
    after = pile_known_now(session, opening.next_id)
    taken_off = set(
        session.scalars(
            select(Step.part_id).where(
                Step.record_id == opening.next_id,
                Step.undone_at.is_(None),
                Step.kind.in_((StepKind.LIFTED_OFF, StepKind.FIXING_REMOVED)),
            )
        )
    )
    found = _as_found(
        _in_order(
            layers_of_build(session, opening.base_id), fixings_of_build(session, opening.base_id)
        ),
        (*entered.layers, *entered.fixings),
        (*after.layers, *after.fixings),
    )
    lies = {layer.part: layer.facing for layer in after.layers}
    record, right = f"Record {opening.next_id}", f"Correct record {opening.next_id}, {right}"
    matched = SequenceMatcher(
        None, [was.part for _place, was in found], [each.part for each in left], autojunk=False
    )
    for same, *ends in matched.get_opcodes():
        begin, end, begin_left, end_left = ends
        for was_there, each in zip_longest(found[begin:end], left[begin_left:end_left]):
            if was_there is None:
                yield (
                    f"This record leaves {each.kind} {each.label} at {_place(each)}, where"
                    f" {record.lower()} found none. {right}"
                )
                continue
            place, was = was_there
            deed = "took off" if was.part in taken_off else "kept"
            if same != "equal":
                yield (
                    f"{record} {deed} {was.kind} {was.label} at {place}; this record leaves"
                    f" {each.label if each else 'nothing'} there. {right}"
                )
            elif deed == "kept" and isinstance(each, Layer) and lies[each.part] is not each.facing:
                yield (
                    f"{record} kept {was.kind} {was.label} at {place} the other way round. {right}"
                )


def _in_order(
    layers: Iterable[Layer], fixings: Iterable[FixingNow]
) -> tuple[Layer | FixingNow, ...]:
    by_place = sorted(fixings, key=lambda each: (_place(each), each.kind, each.part))
    return (*layers, *by_place)


def _place(each: Layer | FixingNow) -> str:
    if isinstance(each, FixingNow):
        return place_of(each.rod_number, each.end)
    return f"layer {each.position}, cell {each.cell}" if each.cell else f"layer {each.position}"


def _as_found(
    base: Iterable[Layer | FixingNow],
    entered: Iterable[Layer | FixingNow],
    after: Iterable[Layer | FixingNow],
) -> list[tuple[str, Layer | FixingNow]]:
    """What an opening began from, by place: where a part was corrected since, the right part."""
    right: dict[int, Layer | FixingNow] = {}
    by_place: defaultdict[str, tuple[list[Any], list[Any]]] = defaultdict(lambda: ([], []))
    for each in entered:
        by_place[_place(each)][0].append(each)
    for each in after:
        by_place[_place(each)][1].append(each)
    for named, known_now in by_place.values():
        both = {each.part for each in named} & {each.part for each in known_now}
        others = ([each for each in some if each.part not in both] for some in (named, known_now))
        right |= {was.part: now for was, now in zip(*others, strict=False)}
    return [(_place(each), right.get(each.part, each)) for each in base]
