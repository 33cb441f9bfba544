"""The values of a record's entries, findings, people and head that a correction can change.

`OF_TABLE` says which facts a row of each table holds; a new kind of entry needs a line there and
nothing else. What a test was set to and read comes from the test itself.
"""

from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from enum import StrEnum
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from service.bench.tables import Correction, CorrectionOf, CorrectionState
from service.limits.arithmetic.closing_modes import ClosingMode, HeldBy
from service.people.queries.people import with_login
from service.people.tables import Person
from service.physics.arithmetic.conditions import (
    SEVERITIES,
    STANDING_ALONE,
    FindingEntry,
    faces_of,
)
from service.platform.arithmetic.dates import span_of, written
from service.platform.arithmetic.vocabulary import Kind, ReadingKind
from service.platform.queries.statements import known, param, param_list
from service.proof.arithmetic.leak_searches import SEARCHED_WITH
from service.proof.arithmetic.leak_tests import LeakTest
from service.proof.arithmetic.stack_tests import TestKind
from service.proof.arithmetic.test_values import YES_NO, values_of
from service.proof.queries.stack_tests import read_test
from service.proof.tables import StackTest
from service.records.arithmetic.lab_words import words_of
from service.records.queries.lab_words import newest_words
from service.records.tables import (
    BumpTest,
    CornerHeightRead,
    Finding,
    Handover,
    HeldClosing,
    Involvement,
    MakeSafeLine,
    RebuildRecord,
    RecordPerson,
    Step,
    StepKind,
    ToolCheck,
    ToolSetting,
    TorqueReading,
)
from service.store.arithmetic.identifiers import part_label
from service.store.arithmetic.instruments import InstrumentKind, kinds_that_read
from service.store.tables import Instrument, Lot, Part, PartType

OF = CorrectionOf
LENGTH = (InstrumentKind.HEIGHT_GAUGE,)
HELD_MODES = (ClosingMode.HEIGHT, ClosingMode.FORCE)
AT_CORNER = " at corner "
"""Parts the column of a height from the name of its corner: an entry has one for each."""


class Asks(StrEnum):
    """What is asked for in the place of a value."""

    NUMBER = "number"
    WORDS = "words"
    CHOICE = "choice"
    TIME = "time"
    INSTRUMENT = "instrument"
    PERSON = "person"
    PART = "part"
    FINDING = "finding"


@dataclass(frozen=True, slots=True)
class Described:
    """One fact of a row: its column, what people call it, what is asked for in its place."""

    column: str
    name: str
    asks: Asks
    is_optional: bool = False
    choices: tuple[str, ...] = ()
    kinds: tuple[InstrumentKind, ...] = ()
    unit: str = ""


OF_TABLE: Mapping[Any, tuple[Described, ...]] = {
    MakeSafeLine: (
        Described("reading", "reading", Asks.NUMBER),
        Described("instrument_id", "instrument", Asks.INSTRUMENT, is_optional=True),
        Described("person_id", "done by", Asks.PERSON),
        Described("witness_id", "witness", Asks.PERSON, is_optional=True),
    ),
    StackTest: (
        Described("instrument_id", "instrument", Asks.INSTRUMENT),
        Described(
            "thermometer_id", "thermometer", Asks.INSTRUMENT, kinds=(InstrumentKind.THERMOMETER,)
        ),
        Described("meter_id", "flow meter", Asks.INSTRUMENT, kinds=(InstrumentKind.FLOW_METER,)),
    ),
    BumpTest: (
        Described("instrument_id", "instrument", Asks.INSTRUMENT),
        Described("gas", "test gas", Asks.WORDS),
        Described("reading", "reading", Asks.NUMBER, is_optional=True),
        Described("passed", "passed", Asks.CHOICE, choices=YES_NO),
        Described("person_id", "done by", Asks.PERSON),
    ),
    Handover: (
        Described("from_person_id", "left by", Asks.PERSON),
        Described("to_person_id", "taken on by", Asks.PERSON),
        Described("pile", "state of the pile", Asks.WORDS),
        Described("covers", "covers fitted", Asks.WORDS),
    ),
    ToolSetting: (
        Described("pass_number", "pass", Asks.NUMBER),
        Described("moment", "when it was checked", Asks.CHOICE, choices=tuple(ToolCheck)),
        Described("set_nm", "tool set to", Asks.NUMBER, unit="N·m"),
        Described("checked_nm", "tester read", Asks.NUMBER, unit="N·m"),
        Described("instrument_id", "tool", Asks.INSTRUMENT, kinds=(InstrumentKind.TORQUE_DRIVER,)),
        Described("tester_id", "tester", Asks.INSTRUMENT, kinds=(InstrumentKind.TORQUE_TESTER,)),
    ),
    CornerHeightRead: (
        Described("height_mm", "height", Asks.NUMBER, unit="mm"),
        Described("pass_number", "pass", Asks.NUMBER),
        Described("instrument_id", "gauge", Asks.INSTRUMENT, kinds=LENGTH),
    ),
    HeldClosing: (
        Described("mode", "closed", Asks.CHOICE, choices=HELD_MODES),
        Described("held_by", "held by", Asks.CHOICE, is_optional=True, choices=tuple(HeldBy)),
        Described("press", "press", Asks.WORDS),
        Described("force_kn", "press force", Asks.NUMBER, unit="kN"),
        Described("load_cell_id", "load cell", Asks.INSTRUMENT, kinds=(InstrumentKind.LOAD_CELL,)),
        Described("height_before_mm", "height under the press", Asks.NUMBER, unit="mm"),
        Described("height_after_mm", "height after", Asks.NUMBER, unit="mm"),
        Described("gauge_id", "gauge", Asks.INSTRUMENT, kinds=LENGTH),
    ),
    TorqueReading: (
        Described("rod_number", "rod", Asks.NUMBER),
        Described("pass_number", "pass", Asks.NUMBER),
        Described("kind", "kind of reading", Asks.CHOICE, choices=tuple(ReadingKind)),
    ),
    Step: (
        Described("done_at", "time", Asks.TIME),
        Described("note", "note", Asks.WORDS, is_optional=True),
        Described("unloaded_first", "stack unloaded first", Asks.CHOICE, choices=YES_NO),
    ),
    RebuildRecord: (
        Described("performed_from", "work began", Asks.TIME),
        Described("reason", "reason", Asks.WORDS),
        Described("notes", "notes", Asks.WORDS, is_optional=True),
    ),
}
DETECTOR = Described(
    "meter_id", "leak detector", Asks.INSTRUMENT, kinds=(InstrumentKind.HELIUM_DETECTOR,)
)
"""Read in the place of a flow meter in a test by helium."""
DETAILS: tuple[Any, ...] = (
    *(MakeSafeLine, BumpTest, Handover, ToolSetting, TorqueReading, StackTest),
    *(CornerHeightRead, HeldClosing),
)
"""The tables of the rows beside an entry."""
OVERLAID = {(OF.HEAD, each.column) for each in OF_TABLE[RebuildRecord]} | {(OF.ENTRY, "note")}
"""Nothing but the correction itself says what is right: their rows stay as handed in."""
TIMED = (
    *(StepKind.MAKE_SAFE, StepKind.EXCEPTION, StepKind.LIFTED_OFF, StepKind.PUT_ON),
    *(StepKind.FIXING_REMOVED, StepKind.FIXING_FITTED, StepKind.FINDING, StepKind.DEPARTURE),
    *(StepKind.BUMP_TEST, StepKind.HANDOVER, StepKind.TOOL_SET, StepKind.CORNERS, StepKind.HELD),
    *(StepKind.CLOSING_CHECK, StepKind.LEAK_TEST, StepKind.INSULATION_TEST, StepKind.SHORT_CHECK),
    StepKind.LEAK_SEARCH,
)
"""Entries whose time stands in the entry alone; others have a reading or the build beside it."""
NOT_SAID = "not given"
NOT_NAMED = "not named"
STANDS, WITHDRAWN = "stands", "withdrawn"
NOTHING_MORE = "nothing more seen"
SEVERITY = tuple(str(number) for number in SEVERITIES)
ADDED = "added"
READS: Mapping[StepKind, tuple[InstrumentKind, ...]] = {
    StepKind.LEAK_TEST: (InstrumentKind.PRESSURE_GAUGE,),
    StepKind.INSULATION_TEST: (InstrumentKind.INSULATION_TESTER,),
    StepKind.SHORT_CHECK: (InstrumentKind.MULTIMETER,),
    StepKind.LEAK_SEARCH: tuple(kind for kinds in SEARCHED_WITH.values() for kind in kinds),
}


@dataclass(frozen=True, slots=True)
class ValueFacts:
    """One value as known now, and what may stand in its place; ``value`` None: not given.

    ``step_id`` and ``kind`` are those of its entry, where it has one.
    """

    of: CorrectionOf
    subject_id: int
    field: str
    label: str
    value: float | str | datetime | None
    shown: str
    asks: Asks
    unit: str = ""
    choices: tuple[str, ...] = ()
    is_optional: bool = False
    kinds: tuple[InstrumentKind, ...] = ()
    step_id: int | None = None
    kind: StepKind | None = None
    part_id: int | None = None
    part_kind: Kind | None = None

    @property
    def path(self) -> str:
        """Where it stands in a test; empty for what is none of its values."""
        return self.field.removeprefix(TEST) if self.field.startswith(TEST) else ""

    @property
    def column(self) -> str:
        """The column of the row beside its entry."""
        return self.field.partition(AT_CORNER)[0]

    @property
    def corner(self) -> str:
        """The corner whose height it is; empty for what is none."""
        return self.field.partition(AT_CORNER)[2]


TEST = "test."


def value_facts(session: Session, head: Any) -> Iterator[ValueFacts]:
    """Return every value of a record a correction can change. Eleven statements at most."""
    overlaid = overlaid_values(session, [head.id])
    yield from _of_head(head, overlaid)
    yield from _of_people(session, head.id)
    steps = {step.id: step for step in session.scalars(_STEPS, {"record_id": head.id})}
    details = list(_details(session, head.id, steps))
    named = _Names(session, details)
    corners: set[tuple[int, str]] = set()
    for row, step, subject in details:
        for each in _described(row, step):
            field = each.column
            if isinstance(row, CornerHeightRead):
                if field == "height_mm":
                    field += AT_CORNER + row.corner
                if (step.id, field) in corners:
                    continue
                corners.add((step.id, field))
            value, unit = getattr(row, each.column), each.unit or getattr(row, "unit", None) or ""
            kinds = each.kinds or READS.get(step.kind) or kinds_that_read(unit or None)
            if value is None and not _may_be_given(each, step.kind, row):
                continue
            yield ValueFacts(
                OF.TORQUE if isinstance(row, TorqueReading) else OF.ENTRY,
                row.id if isinstance(row, TorqueReading) else step.id,
                field,
                f"{subject}, {each.name}{field.removeprefix(each.column)}",
                value,
                named.shown(each, value, unit),
                each.asks,
                unit,
                each.choices,
                each.is_optional,
                kinds,
                step.id,
                step.kind,
            )
        if isinstance(row, StackTest):
            yield from _of_test(row, step, subject)
    yield from _of_steps(steps, overlaid, {step.id: subject for _row, step, subject in details})
    yield from _of_findings(session, head.id, steps)


_STEPS = (
    select(Step)
    .where(Step.record_id == param("record_id"), Step.undone_at.is_(None))
    .order_by(Step.sequence)
)


def _described(row: Any, step: Step) -> tuple[Described, ...]:
    """What of a row can be put right."""
    described = OF_TABLE[type(row)]
    if step.kind is not StepKind.LEAK_TEST:
        return described
    test = read_test(TestKind.LEAK, row.content)
    by_helium = isinstance(test, LeakTest) and test.helium is not None
    return tuple(
        DETECTOR if by_helium and each.column == DETECTOR.column else each for each in described
    )


def _may_be_given(each: Described, kind: StepKind, row: Any) -> bool:
    """Whether a value that is not there could have been: a tick of a list reads nothing."""
    if not isinstance(row, MakeSafeLine):
        return each.is_optional
    return kind is StepKind.MAKE_SAFE if each.asks is Asks.PERSON else row.unit is not None


def overlaid_values(
    session: Session, record_ids: Collection[int]
) -> dict[tuple[int, CorrectionOf, int, str], Correction]:
    """Return the last approved correction of each text or beginning that only it puts right."""
    rows = session.scalars(_OVERLAYING, {"record_ids": list(record_ids)})
    return {
        (row.record_id, row.of, row.subject_id or 0, row.field): row
        for row in rows
        if (row.of, row.field) in OVERLAID
    }


_OVERLAYING = (
    select(Correction)
    .where(
        Correction.record_id.in_(param_list("record_ids")),
        Correction.of.in_((OF.HEAD, OF.ENTRY)),
        Correction.field.in_([column for _of, column in OVERLAID]),
        Correction.state == CorrectionState.APPROVED,
    )
    .order_by(Correction.id)
)


def _of_head(head: Any, overlaid: Mapping[Any, Correction]) -> Iterator[ValueFacts]:
    for each in OF_TABLE[RebuildRecord]:
        value = getattr(head, each.column)
        if (right := overlaid.get((head.id, OF.HEAD, head.id, each.column))) is not None:
            value = right.new_time or right.new_value
        shown = written_time(value) if isinstance(value, datetime) else value or NOT_SAID
        yield ValueFacts(
            OF.HEAD, head.id, each.column, each.name, value, shown, each.asks,
            is_optional=each.is_optional,
        )  # fmt: skip


def _of_people(session: Session, record_id: int) -> Iterator[ValueFacts]:
    for row in session.execute(_PEOPLE, {"record_id": record_id}):
        yield ValueFacts(
            OF.PERSON, row.person_id, row.involvement.value, f"{row.name}, {row.involvement}",
            row.person_id, row.name, Asks.PERSON, is_optional=True,
        )  # fmt: skip
    for how in Involvement:
        yield ValueFacts(
            OF.PERSON, record_id, f"{ADDED} {how}", f"somebody else who {how}", None, NOT_NAMED,
            Asks.PERSON,
        )  # fmt: skip


_PEOPLE = (
    select(RecordPerson.person_id, RecordPerson.involvement, with_login(Person).label("name"))
    .join(Person, Person.id == RecordPerson.person_id)
    .where(RecordPerson.record_id == param("record_id"), known(RecordPerson))
    .order_by(RecordPerson.involvement.desc(), Person.name)
)


_ROWS = {
    table: select(table)
    .where(
        table.record_id == param("record_id"),
        *([known(table)] if table is TorqueReading else []),
    )
    .order_by(table.id)
    for table in DETAILS
}


def _details(
    session: Session, record_id: int, steps: Mapping[int, Step]
) -> Iterator[tuple[Any, Step, str]]:
    """The rows beside the entries that stand, each with its entry and what people call it."""
    for table in DETAILS:
        for row in session.scalars(_ROWS[table], {"record_id": record_id}):
            step = steps.get(row.step_id)
            if step is not None:
                yield row, step, _subject(row, step)


def _subject(row: Any, step: Step) -> str:
    if isinstance(row, MakeSafeLine):
        if step.kind is StepKind.CLOSING_CHECK:
            return row.wording + (f", rod {step.rod_number}" if step.rod_number else "")
        return f"make-safe line {row.line_number}"
    if isinstance(row, CornerHeightRead):
        return f"heights of pass {row.pass_number}, entry {step.sequence}"
    if isinstance(row, ToolSetting):
        return f"tool of pass {row.pass_number}, {row.moment}, entry {step.sequence}"
    if isinstance(row, TorqueReading):
        return f"rod {row.rod_number}, pass {row.pass_number}, {row.stage}, {row.kind}"
    return f"{step.kind}, entry {step.sequence}"


_NAMES: Mapping[Asks, Any] = {
    Asks.INSTRUMENT: select(Instrument.id, Instrument.label).where(
        Instrument.id.in_(param_list("ids"))
    ),
    Asks.PERSON: select(Person.id, with_login(Person)).where(Person.id.in_(param_list("ids"))),
}


class _Names:
    """What people call the instruments and people the rows name. Two statements."""

    def __init__(self, session: Session, details: Collection[tuple[Any, Step, str]]) -> None:
        ids: dict[Asks, set[int]] = {Asks.INSTRUMENT: set(), Asks.PERSON: set()}
        for row, _step, _subject in details:
            for each in OF_TABLE[type(row)]:
                if each.asks in ids and (value := getattr(row, each.column)) is not None:
                    ids[each.asks].add(value)
        self._names: dict[Asks, dict[int, str]] = {
            asks: dict(session.execute(_NAMES[asks], {"ids": list(ids[asks])}).all())
            for asks in ids
        }

    def shown(self, each: Described, value: Any, unit: str) -> str:
        """The value as a person reads it."""
        if value is None:
            return NOT_SAID
        if isinstance(value, bool):
            return YES_NO[not value]
        if each.asks in self._names:
            return self._names[each.asks][value]
        return with_unit(value, unit) if isinstance(value, float | int) else str(value)


def _of_test(row: StackTest, step: Step, subject: str) -> Iterator[ValueFacts]:
    for each in values_of(read_test(TestKind(step.kind.value), row.content)):
        yield ValueFacts(
            OF.ENTRY,
            step.id,
            f"{TEST}{each.path}",
            f"{subject}, {each.name}",
            each.value,
            NOT_SAID if each.value is None else with_unit(each.value, each.unit),
            Asks.CHOICE if each.choices else Asks.WORDS if each.in_words else Asks.NUMBER,
            each.unit,
            each.choices,
            each.is_optional,
            step_id=step.id,
            kind=step.kind,
        )


def _of_steps(
    steps: Mapping[int, Step], overlaid: Mapping[Any, Correction], subjects: Mapping[int, str]
) -> Iterator[ValueFacts]:
    time, note, unloaded = OF_TABLE[Step]
    for step in steps.values():
        subject = subjects.get(step.id) or f"{step.kind}, entry {step.sequence}"
        if step.kind in TIMED:
            yield ValueFacts(
                OF.ENTRY, step.id, time.column, f"{subject}, {time.name}", step.done_at,
                written_time(step.done_at), time.asks, step_id=step.id, kind=step.kind,
            )  # fmt: skip
        if step.unloaded_first is not None:
            yield ValueFacts(
                OF.ENTRY, step.id, unloaded.column, f"{subject}, {unloaded.name}",
                YES_NO[not step.unloaded_first], YES_NO[not step.unloaded_first], unloaded.asks,
                choices=unloaded.choices, step_id=step.id, kind=step.kind,
            )  # fmt: skip
        if step.kind is not StepKind.NOT_DONE:
            right = overlaid.get((step.record_id, OF.ENTRY, step.id, note.column))
            words = right.new_value if right is not None else step.note
            yield ValueFacts(
                OF.ENTRY, step.id, note.column, f"{subject}, {note.name}", words,
                words or NOT_SAID, note.asks, is_optional=True, step_id=step.id, kind=step.kind,
            )  # fmt: skip


_FINDINGS = (
    select(Finding, Part.serial, Lot.label, Part.item_number, PartType.kind)
    .join(Part, Part.id == Finding.part_id)
    .join(PartType, PartType.id == Part.part_type_id)
    .outerjoin(Lot, Lot.id == Part.lot_id)
    .where(Finding.record_id == param("record_id"), known(Finding))
    .order_by(Finding.id)
)


def _of_findings(
    session: Session, record_id: int, steps: Mapping[int, Step]
) -> Iterator[ValueFacts]:
    """What was seen, value by value; and of each part looked at what was seen besides."""
    rows = session.execute(_FINDINGS, {"record_id": record_id}).all()
    words = newest_words(session)[1]
    looked_at: dict[int, tuple[str, Kind]] = {}
    for finding, serial, lot, item, kind in rows:
        if finding.step_id not in steps:
            continue
        entry, part = seen_as(finding), f"{kind} {part_label(serial, lot, item)}"
        looked_at[finding.part_id] = part, kind
        conditions = (*words_of(words.of(kind)), *STANDING_ALONE)
        for field, name, value, asks, choices in (
            ("condition", "condition", entry.condition, Asks.CHOICE, conditions),
            ("severity", "severity", entry.severity, Asks.CHOICE, SEVERITY),
            ("face", "face", entry.face, Asks.CHOICE, faces_of(kind)),
            ("places", "places", " ".join(entry.places), Asks.WORDS, ()),
            ("area_percent", "area", entry.area_percent, Asks.NUMBER, ()),
            ("where", "where", entry.where, Asks.WORDS, ()),
            ("note", "note", entry.note, Asks.WORDS, ()),
            ("part_id", "part", part_label(serial, lot, item), Asks.PART, ()),
            (STANDS, "whether it stands", STANDS, Asks.CHOICE, (WITHDRAWN,)),
        ):
            if field == "face" and not choices:
                continue
            is_needed = field in ("condition", "part_id", STANDS)
            unit = "%" if field == "area_percent" else ""
            said = "" if value is None else with_unit(value, unit) if unit else str(value)
            yield ValueFacts(
                OF.FINDING, finding.id, field, f"{entry.in_words} on {part}, {name}", said,
                said or NOT_SAID, asks, unit, choices, not is_needed,
                step_id=finding.step_id, part_id=finding.part_id, part_kind=kind,
            )  # fmt: skip
    for part_id, (part, kind) in looked_at.items():
        yield ValueFacts(
            OF.FINDING, part_id, ADDED, f"another finding on {part}", None, NOTHING_MORE,
            Asks.FINDING, choices=words_of(words.of(kind)), part_id=part_id, part_kind=kind,
        )  # fmt: skip


def seen_as(finding: Finding) -> FindingEntry:
    """Return a finding as it was entered."""
    return FindingEntry(
        finding.condition,
        finding.severity,
        finding.where,
        finding.note,
        finding.face or "",
        tuple((finding.places or "").split()),
        finding.area_percent,
        finding.code,
    )


def with_unit(value: float | str, unit: str) -> str:
    """Return a value as a person reads it.

    >>> with_unit(50.4, "kPa")
    '50.4 kPa'
    """
    words = f"{value:.10g}" if isinstance(value, float | int) else value
    return f"{words} {unit}" if unit else words


def written_time(at: datetime) -> str:
    """Return a time as corrections keep it.

    ISO 8601 in UTC, to the minute where it has no seconds; of a partial date what is known.
    """
    if span_of(at).known:
        return written(at)
    at = at.astimezone(UTC)
    return (
        f"{at:%Y-%m-%dT%H:%MZ}"
        if not (at.second or at.microsecond)
        else f"{at:%Y-%m-%dT%H:%M:%S.%fZ}"
    )
