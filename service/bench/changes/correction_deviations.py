"""A new value that departs from what was set: asked about as a fresh entry of it would be."""

from datetime import datetime

from sqlalchemy import select

from service.bench.changes.correction_entries import FIELD, NewValue, retest
from service.bench.changes.correction_values import other_showings, readings_at
from service.bench.queries.correctable_values import NOT_SAID, Asks, ValueFacts
from service.bench.queries.corrections import Fact, HourFacts, PeriodFacts, TorqueFacts
from service.bench.tables import CorrectionOf
from service.closing.changes.checks import refuse_height
from service.closing.changes.held_closings import held_departs
from service.closing.changes.torque import PASSES_MOST, TorqueAsRead, torque_deviation
from service.platform.database import Work
from service.platform.errors import Refused
from service.proof.arithmetic.leak_departures import Departures, departures
from service.proof.arithmetic.leak_tests import LeakTest
from service.records.changes.deviations import Answered, Deviation, Unloaded, ask_whether_it_stands
from service.records.changes.eligibility import refuse_beyond_range
from service.records.changes.make_safe import reading_beyond
from service.records.queries.make_safe import left_unsafe
from service.records.tables import CornerHeightRead, RebuildRecord, Step, StepKind
from service.stacks.changes.hours import hours_beyond_time
from service.stacks.queries.build_spans import open_spans
from service.store.queries.calibrations import calibration_on
from service.store.tables import Instrument

RECORDED_BEFORE = (StepKind.MAKE_SAFE, StepKind.EXCEPTION)
KEEP = "It stands: keep it as a deviation"


def deviation_of(
    work: Work,
    record: RebuildRecord,
    fact: Fact,
    value: NewValue,
    answered: Answered,
    *,
    unloaded_first: Unloaded | None,
) -> Deviation | None:
    """Return what a new value departs from and why it stands; None for one as it should be.

    Raises Question until it is answered, Refused for a torque its driver cannot have shown.
    """
    details = fact.details
    if isinstance(details, ValueFacts):
        return _of_value(work, details, value, answered)
    if isinstance(details, TorqueFacts):
        if fact.of is CorrectionOf.TORQUE_INSTRUMENT:
            return _of_driver(work, details, value, answered)
        return _of_torque(work, record, details, value, answered, unloaded_first=unloaded_first)
    if isinstance(details, HourFacts):
        showings = [(details, value.number or 0.0)]
        return _of_hours(work, record.stack_id, showings, details.taken_at, answered)
    if isinstance(details, PeriodFacts) and value.time is not None:
        moved = readings_at(work, record.id, fact)
        showings = [(reading.details, reading.details.hours) for reading in moved]
        return _of_hours(work, record.stack_id, showings, value.time, answered)
    return None


def _of_torque(
    work: Work,
    record: RebuildRecord,
    details: TorqueFacts,
    value: NewValue,
    answered: Answered,
    *,
    unloaded_first: Unloaded | None,
) -> Deviation | None:
    if details.press is not None:
        return None
    torque_nm = value.number or 0.0
    _refuse_beyond_range(work, details.instrument_id, torque_nm, value.text)
    read = TorqueAsRead(details.pass_number, details.stage, details.kind, torque_nm, value.text)
    return torque_deviation(work, record, read, answered, unloaded_first)


def _of_value(
    work: Work, details: ValueFacts, value: NewValue, answered: Answered
) -> Deviation | None:
    """What a test or a checked reading departs from once it says so."""
    departs = _departs(work, details, value)
    if details.asks is Asks.INSTRUMENT and value.number is not None:
        step = work.session.get_one(Step, details.step_id)
        then = calibration_on(work.session, int(value.number), step.done_at)
        if not then.is_valid:
            departs = Departures((then.sentence, *departs.sentences), departs.facts)
    if not departs.sentences or departs.text == _departed(work, details):
        return None
    because = ask_whether_it_stands(
        work.session,
        answered,
        value=value.text,
        reason=departs.text,
        right="The value that was really set or read.",
        words=KEEP,
        facts=departs.facts,
    )
    return Deviation(departs.text, because)


def _departs(work: Work, details: ValueFacts, value: NewValue) -> Departures:
    """How an entry departs from what was set. Raises Refused for what cannot have been read."""
    departs = Departures()
    if details.kind is StepKind.LEAK_TEST and (details.path or details.asks is Asks.INSTRUMENT):
        again = retest(work.session, details, value)
        if isinstance(again.test, LeakTest):
            departs = departures(again.test, again.figures.leak)
    if details.kind is StepKind.MAKE_SAFE and details.asks is Asks.NUMBER:
        reading = value.number or 0.0
        if beyond := reading_beyond(
            work, details.subject_id, reading, field=FIELD, typed=value.text
        ):
            departs = Departures((beyond,), {"limit": beyond})
    if details.kind in RECORDED_BEFORE and value.time is not None:
        unsafe = left_unsafe(work.session, details.step_id or 0, value.time)
        departs = Departures(unsafe, {"acts": " ".join(unsafe)})
    if details.kind is StepKind.HELD and details.asks not in (Asks.TIME, Asks.WORDS):
        right = value.text if value.number is None else value.number
        given = None if value.text == NOT_SAID else right
        if said := held_departs(work, details.step_id or 0, field=FIELD, **{details.field: given}):
            departs = Departures((said,), {"value": value.text})
    if details.kind is StepKind.CORNERS and details.asks is Asks.NUMBER:
        _refuse_corner(work, details, value)
    return departs


def _refuse_corner(work: Work, details: ValueFacts, value: NewValue) -> None:
    """Refuse a height its gauge cannot have shown, and a pass that cannot be."""
    number = value.number or 0.0
    if not details.corner:
        if not 1 <= number <= PASSES_MOST or number % 1:
            raise Refused(FIELD, value.text, "passes count from 1.", f"1 to {PASSES_MOST}.")
        return
    gauge = work.session.scalars(
        select(Instrument)
        .join(CornerHeightRead, CornerHeightRead.instrument_id == Instrument.id)
        .where(
            CornerHeightRead.step_id == details.step_id, CornerHeightRead.corner == details.corner
        )
    ).one()
    refuse_height(gauge, FIELD, number)


def _departed(work: Work, details: ValueFacts) -> str | None:
    """What the entry departed from before, and was asked about then."""
    return work.session.scalar(select(Step.deviation).where(Step.id == details.step_id))


def _of_driver(
    work: Work, details: TorqueFacts, value: NewValue, answered: Answered
) -> Deviation | None:
    """What a driver departs from that was out of calibration when it was used."""
    driver_id = int(value.number or 0)
    _refuse_beyond_range(work, driver_id, details.torque_nm, value.text)
    then = calibration_on(work.session, driver_id, details.taken_at)
    if then.is_valid:
        return None
    because = ask_whether_it_stands(
        work.session,
        answered,
        value=value.text,
        reason=then.sentence,
        right="A driver in calibration, if another one was used.",
        words=KEEP,
        facts={"instrument": value.text},
    )
    return Deviation(then.sentence, because)


def _refuse_beyond_range(work: Work, driver_id: int, torque_nm: float, typed: str) -> None:
    driver = work.session.get_one(Instrument, driver_id)
    refuse_beyond_range(driver, FIELD, torque_nm, "N·m", typed=typed)


def _of_hours(
    work: Work,
    stack_id: int,
    showings: list[tuple[HourFacts, float]],
    at: datetime,
    answered: Answered,
) -> Deviation | None:
    """What a meter would have counted beyond the time that passed, once it reads so."""
    spans = open_spans(work.session, stack_id)
    sentences = " ".join(
        filter(
            None,
            (
                hours_beyond_time(other_showings(work, details, at), hours, at, spans)
                for details, hours in showings
            ),
        )
    )
    if not sentences:
        return None
    because = ask_whether_it_stands(
        work.session,
        answered,
        value="",
        reason=sentences,
        right="Read it again, or correct first the reading that is wrong.",
        words=KEEP,
        facts={"meter": sentences},
    )
    return Deviation(sentences, because)
