"""Tests of a closed stack as entries of a record: leaks, insulation, shorts.

A failed attempt stays, a retest adds. Each is judged by the limits in force when it is entered.
"""

from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace
from datetime import datetime

from sqlalchemy import select

from service.designs.arithmetic.pile import counts
from service.designs.tables import Design
from service.limits.arithmetic.figures import DesignFigures
from service.limits.arithmetic.leak_figures import LeakFigures
from service.limits.arithmetic.leak_objects import LeakObject
from service.limits.queries import LimitsInForce, limits_in_force
from service.platform import changes
from service.platform.arithmetic.canonical import canonical_json, sha256_of
from service.platform.arithmetic.dates import in_utc
from service.platform.arithmetic.errors import OutOfRange, TradeError, placed
from service.platform.arithmetic.typed_fields import FieldRefused, Typed
from service.platform.arithmetic.units import Measure
from service.platform.arithmetic.vocabulary import Kind
from service.platform.database import Work
from service.platform.errors import Refused
from service.proof import tables
from service.proof.arithmetic import typed_tests
from service.proof.arithmetic.electrical_tests import ShortMethod
from service.proof.arithmetic.leak_departures import Departures, departures
from service.proof.arithmetic.leak_results import LeakResult
from service.proof.arithmetic.leak_searches import SEARCHED_WITH, SearchWay
from service.proof.arithmetic.leak_tests import LeakTest
from service.proof.arithmetic.leak_traces import read_trace, with_trace
from service.proof.arithmetic.stack_tests import (
    Result,
    StackTest,
    judge_leak,
    judge_test,
    kind_of,
    result_as_data,
    test_as_data,
)
from service.proof.arithmetic.typed_tests import (
    read_insulation_test,
    read_leak_search,
    read_leak_test,
    read_short_check,
    reads_flows,
    reads_helium,
)
from service.proof.queries.build_verdicts import NOTHING_IN_FORCE
from service.proof.queries.tools_read import how_far_off, read_with
from service.records.changes import journal
from service.records.changes.deviations import Answered, Deviation, Stands, ask_whether_it_stands
from service.records.changes.eligibility import (
    InstrumentUsed,
    instrument_to_use,
    refuse_beyond_range,
)
from service.records.changes.make_safe import refuse_unless_made_safe
from service.records.changes.rebuild_records import involve
from service.records.queries.working_piles import working_pile
from service.records.tables import Involvement, RebuildRecord, StepKind
from service.stacks.tables import Stack
from service.store.arithmetic.instruments import InstrumentKind
from service.store.arithmetic.make_safe import SafeAct

# The instruments a test of the closed stack is read with: allowed, and how well they are known.


Used = InstrumentUsed


GAUGES = (InstrumentKind.PRESSURE_GAUGE,)


THERMOMETERS = (InstrumentKind.THERMOMETER,)


METERS = (InstrumentKind.FLOW_METER,)


DETECTORS = (InstrumentKind.HELIUM_DETECTOR,)


TESTERS = (InstrumentKind.INSULATION_TESTER,)


MULTIMETERS = (InstrumentKind.MULTIMETER,)


def use(
    work: Work,
    record: RebuildRecord | None,
    field: str,
    instrument_id: int | None,
    *,
    at: datetime,
    kinds: Collection[InstrumentKind],
) -> InstrumentUsed:
    """Return the instrument of one field, or Refused beside this field."""
    names = " or ".join(kinds)
    if not instrument_id:
        raise Refused(field, "", f"the {names} is not given.", "Choose what it was read with.")
    try:
        return instrument_to_use(work, record, instrument_id, at, kinds)
    except Refused as refused:
        raise Refused(field, refused.value, refused.reason, refused.right_would_be) from refused


@dataclass(frozen=True, slots=True)
class _At:
    """A record with a closed stack, and what a test of it needs to know."""

    record: RebuildRecord
    done_at: datetime
    limits: LimitsInForce | None
    cells: int
    blank_cells: tuple[int, ...]
    active_area_cm2: float

    @property
    def figures(self) -> DesignFigures:
        return self.limits.figures if self.limits else NOTHING_IN_FORCE


def record_leak_test(
    work: Work,
    record_id: int,
    version: int | None,
    *,
    typed: Typed,
    instrument_id: int,
    thermometer_id: int | None = None,
    meter_id: int | None = None,
    trace: str = "",
    stands: Stands | None = None,
    outside_because: str = "",
    note: str = "",
    done_at: datetime | None = None,
) -> int:
    """Record one test of tightness in one of the five set-ups; give the entry's id.

    ``typed`` holds the fields of `typed_tests` as texts with or without a unit;
    ``instrument_id`` is the pressure gauge, ``meter_id`` the flow meter or helium leak detector
    where one was read.
    ``trace`` holds lines of time, pressure and temperature: it gives the readings, and is kept.
    Raises Question for another pressure, gas or a shorter hold than the set-up's, for a step of
    its recipe that was not kept, and for more
    across the membrane than it bears: with ``stands`` and ``outside_because`` it is kept as a
    deviation. Raises Refused by field for readings that cannot be or lie outside their
    instrument's range, a volume that is not known, and instruments on hold or out of calibration
    without a concession.
    """
    at = _closed(work, record_id, version, done_at)
    refuse_unless_made_safe(work, at.record, SafeAct.LEAK_TEST, at.done_at)
    tested = leak_tested(
        work,
        at.record,
        at.done_at,
        Subject(at.figures.leak, at.cells),
        typed=typed,
        instrument_ids=(instrument_id, thermometer_id, meter_id),
        trace=trace,
        answered=Answered(stands, outside_because, "outside_because"),
    )
    return _write(
        work,
        at,
        tested.test,
        tested.result,
        tools=tested.tools,
        note=note,
        deviation=tested.deviation,
    )


@dataclass(frozen=True, slots=True)
class Subject:
    """What is tested for leaks, and by what; ``alone`` None: a closed stack.

    ``as_tested``: the limits were given with the test, for its gas as it was tested.
    """

    figures: LeakFigures | None
    cells: int
    alone: LeakObject | None = None
    as_tested: bool = False


@dataclass(frozen=True, slots=True)
class LeakTested:
    """A leak test as it was read and judged, with gauge, thermometer and meter."""

    test: LeakTest
    result: LeakResult
    tools: tuple[Used, Used, Used | None]
    deviation: Deviation | None

    @property
    def columns(self) -> dict[str, object]:
        """What the row of a test keeps of it."""
        return columns_of(self.test, self.result, self.tools)


def leak_tested(
    work: Work,
    record: RebuildRecord | None,
    done_at: datetime,
    subject: Subject,
    *,
    typed: Typed,
    instrument_ids: tuple[int, int | None, int | None],
    trace: str,
    answered: Answered,
) -> LeakTested:
    """Read and judge a leak test as `record_leak_test` says; nothing but its trace is kept."""
    gauge_id, thermometer_id, meter_id = instrument_ids
    gauge = use(work, record, "instrument_id", gauge_id, at=done_at, kinds=GAUGES)
    warm = use(work, record, "thermometer_id", thermometer_id, at=done_at, kinds=THERMOMETERS)
    meter = None
    if reads_flows(typed) or reads_helium(typed):
        kinds = DETECTORS if reads_helium(typed) else METERS
        meter = use(work, record, "meter_id", meter_id, at=done_at, kinds=kinds)
    try:
        if trace:
            typed = with_trace(typed, read_trace(trace), _measure_min(typed, subject.figures))
        with placed(**typed_tests.LEAK_FIELDS):
            read = read_with(work.session, gauge, warm, meter)
            test = read_leak_test(typed, subject.cells, read, subject.alone)
            if trace and test.kept:
                kept = replace(test.kept, trace_sha256=_keep_trace(work, trace))
                test = replace(test, kept=kept)
            result = judge_leak(test, subject.figures, as_tested=subject.as_tested)
    except TradeError as trouble:
        raise refused_by_field(trouble, typed) from trouble
    _refuse_leak_readings(test, gauge, warm)
    departs = departures(test, subject.figures, as_tested=subject.as_tested)
    deviation = _deviation(work, departs, answered)
    return LeakTested(test, result, (gauge, warm, meter), deviation)


def _measure_min(typed: Typed, figures: LeakFigures | None) -> float | None:
    """How long the recipe of the set-up measures."""
    order = typed.get("set_up", "").strip()
    recipe = figures.recipe(int(order)) if figures and order.isdecimal() else None
    return recipe.measure_min if recipe else None


def _keep_trace(work: Work, trace: str) -> str:
    """Keep a trace under the hash of its content, once."""
    sha256 = sha256_of(trace)
    kept = select(tables.PressureTrace.id).where(tables.PressureTrace.content_sha256 == sha256)
    if work.session.scalar(kept) is None:
        work.session.add(tables.PressureTrace(content_sha256=sha256, content=trace))
    return sha256


def _refuse_leak_readings(test: LeakTest, gauge: Used, warm: Used) -> None:
    """Refuse what gauge and thermometer cannot have shown; the meter's full scale is judged."""
    refuse_beyond_range(gauge.instrument, "start_pressure", test.start_pressure_kpa, "kPa")
    if test.end_pressure_kpa is not None:
        end_kpa = test.end_pressure_kpa
        refuse_beyond_range(gauge.instrument, "end_pressure", end_kpa, "kPa", from_least=False)
    for field, celsius in (
        ("start_temperature", test.start_temperature_c),
        ("end_temperature", test.end_temperature_c),
    ):
        if celsius is not None:
            refuse_beyond_range(warm.instrument, field, celsius, "°C")


def _deviation(work: Work, departs: Departures, answered: Answered) -> Deviation | None:
    if not departs.sentences:
        return None
    because = ask_whether_it_stands(
        work.session,
        answered,
        value="",
        reason=departs.text,
        right="Test again as the set-up asks.",
        words="It stands: keep it as a deviation",
        facts=departs.facts,
    )
    return Deviation(departs.text, because)


def record_insulation_test(
    work: Work,
    record_id: int,
    version: int | None,
    *,
    typed: Typed,
    instrument_id: int,
    note: str = "",
    done_at: datetime | None = None,
) -> int:
    """Record one test of insulation, dry or with coolant; give the entry's id.

    Raises Refused where the cells were not bonded together or hydrogen was there: such a reading
    must not be taken.
    """
    at = _closed(work, record_id, version, done_at)
    tester = use(work, at.record, "instrument_id", instrument_id, at=at.done_at, kinds=TESTERS)
    try:
        with placed(**typed_tests.INSULATION_FIELDS):
            off = how_far_off(work.session, tester, "MΩ", Measure.RESISTANCE)
            test = read_insulation_test(typed, at.cells, off)
            result = judge_test(test, at.figures)
    except TradeError as trouble:
        raise refused_by_field(trouble, typed) from trouble
    for measured in test.readings:
        if not measured.over_range:
            field = f"{typed_tests.PLACES[measured.between]}_resistance"
            mohm = measured.resistance_mohm
            refuse_beyond_range(tester.instrument, field, mohm, "MΩ", from_least=False)
    return _write(work, at, test, result, tools=(tester, None, None), note=note)


def record_short_check(
    work: Work,
    record_id: int,
    version: int | None,
    *,
    typed: Typed,
    values: Sequence[str],
    instrument_id: int,
    note: str = "",
    done_at: datetime | None = None,
) -> int:
    """Record one check of the cells for shorts; give the entry's id.

    ``values`` are texts, cell 1 first, or one pasted list; a stroke stands for a cell that was
    not measured.
    """
    at = _closed(work, record_id, version, done_at)
    meter = use(work, at.record, "instrument_id", instrument_id, at=at.done_at, kinds=MULTIMETERS)
    cells = at.cells + len(at.blank_cells)
    try:
        with placed("values", **typed_tests.SHORT_FIELDS):
            test = read_short_check(typed, values, cells, at.active_area_cm2, at.blank_cells)
            result = judge_test(test, at.figures)
    except TradeError as trouble:
        raise refused_by_field(trouble, typed) from trouble
    unit = "V" if test.way is ShortMethod.VOLTAGE else "Ω"
    for value in test.values:
        if value is not None:
            refuse_beyond_range(meter.instrument, "values", value, unit, from_least=False)
    return _write(work, at, test, result, tools=(meter, None, None), note=note)


def record_leak_search(
    work: Work,
    record_id: int,
    version: int | None,
    *,
    typed: Typed,
    values: Sequence[str],
    instrument_id: int,
    note: str = "",
    done_at: datetime | None = None,
) -> int:
    """Record one search for the cell that leaks; give the entry's id.

    ``values`` as in `record_short_check`. What stands out is suspicion: no verdict hangs on it.
    """
    at = _closed(work, record_id, version, done_at)
    refuse_unless_made_safe(work, at.record, SafeAct.LEAK_TEST, at.done_at)
    ways = [way for way in SearchWay if typed.get("way") in {None, "", way}] or list(SearchWay)
    kinds = tuple(kind for way in ways for kind in SEARCHED_WITH[way])
    tool = use(work, at.record, "instrument_id", instrument_id, at=at.done_at, kinds=kinds)
    cells = at.cells + len(at.blank_cells)
    try:
        with placed("values", values="values"):
            test = read_leak_search(typed, values, cells, tool.instrument.unit, at.blank_cells)
            result = judge_test(test, at.figures)
    except TradeError as trouble:
        raise refused_by_field(trouble, typed) from trouble
    for value in test.values:
        if value is not None:
            refuse_beyond_range(tool.instrument, "values", value, test.unit, from_least=False)
    return _write(work, at, test, result, tools=(tool, None, None), note=note)


def _closed(work: Work, record_id: int, version: int | None, done_at: datetime | None) -> _At:
    """The record, held, once it is sure that its stack was closed at the time of the test."""
    record = journal.lock_record(work, record_id, version)
    at = journal.done_at_of(work, record, done_at)
    if record.closed_at is not None:
        if at < record.closed_at:
            raise Refused(
                "done_at",
                in_utc(at),
                f"the stack was closed later, {in_utc(record.closed_at)}.",
                "A test is made of the closed stack: a time after that.",
            )
    elif record.opened_at is not None or record.base_build_id is None:
        state = "stands open" if record.opened_at else "is not closed yet"
        raise Refused(
            "record",
            f"record {record_id}",
            f"the stack {state}.",
            "A test is made of the closed stack: record the closing first.",
        )
    pile = working_pile(work.session, record_id)
    count_of = counts(pile.layers)
    design = work.session.execute(
        select(Design.id, Design.active_area_cm2)
        .join(Stack, Stack.design_id == Design.id)
        .where(Stack.id == record.stack_id)
    ).one()
    blank = tuple(
        layer.cell for layer in pile.layers if layer.kind is Kind.BLANK_CELL and layer.cell
    )
    limits = limits_in_force(work.session, design.id)
    return _At(record, at, limits, count_of.cells, blank, design.active_area_cm2)


def refused_by_field(trouble: TradeError, typed: Typed) -> Refused:
    """Return what a computation refuses, beside the field it is about."""
    if isinstance(trouble, FieldRefused):
        value = "" if trouble.value == "empty" else trouble.value
        return Refused(
            trouble.field,
            value,
            f"{trouble.name} is not given." if not value else f"{trouble.name} cannot be this.",
            f"Right would be {trouble.allowed}.",
        )
    field = trouble.fields[0] if trouble.is_placed else "test"
    if isinstance(trouble, OutOfRange):
        unit = f"\u2009{trouble.unit}" if trouble.unit else ""
        sentence = f"{trouble.name} is {trouble.value}{unit}."
        return Refused(field, typed.get(field, ""), sentence, f"Right would be {trouble.allowed}.")
    return Refused(field, typed.get(field, ""), str(trouble))


def columns_of(
    test: StackTest, result: Result, tools: tuple[Used, Used | None, Used | None]
) -> dict[str, object]:
    """Return what the row of a test keeps of it, with first instrument, thermometer and meter."""
    first, warm, meter = tools
    return {
        "content": canonical_json(test_as_data(test)),
        "result": canonical_json(result_as_data(result)),
        "formula": ", ".join(result.formulas),
        "verdict": result.verdict,
        "instrument_id": first.instrument.id,
        "calibration_id": first.calibration_id,
        "thermometer_id": warm.instrument.id if warm else None,
        "thermometer_calibration_id": warm.calibration_id if warm else None,
        "meter_id": meter.instrument.id if meter else None,
        "meter_calibration_id": meter.calibration_id if meter else None,
    }


def _write(
    work: Work,
    at: _At,
    test: StackTest,
    result: Result,
    *,
    tools: tuple[Used, Used | None, Used | None],
    note: str,
    deviation: Deviation | None = None,
) -> int:
    text = changes.optional_words("note", note, most=4000)
    kind = StepKind(kind_of(test).value)
    columns_kept = deviation.as_columns if deviation else {}
    step = journal.add_step(work, at.record, kind, at.done_at, note=text, **columns_kept)
    work.session.add(
        tables.StackTest(
            record_id=at.record.id,
            step_id=step.id,
            limit_set_id=at.limits.id if at.limits else None,
            **columns_of(test, result, tools),
        )
    )
    involve(work, at.record.id, work.by.id, Involvement.WORKED)
    journal.finish_entry(
        work,
        at.record,
        journal.TrailNote(
            f"{kind} recorded: {result.verdict}",
            (
                ("verdict", None, result.verdict),
                ("judged by", None, at.limits.name if at.limits else "no limits in force"),
                *(
                    (str(tool.instrument.kind), None, tool.instrument.label)
                    for tool in tools
                    if tool is not None
                ),
                ("done at", None, at.done_at),
                ("note", None, text or None),
                *(deviation.as_changes if deviation else ()),
            ),
            deviation.because if deviation else "",
        ),
    )
    return step.id
