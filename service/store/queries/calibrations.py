"""Calibrations as known now: which one counts on a date, and what was found out afterwards."""

from bisect import bisect_left, bisect_right
from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import ColumnElement, Select, and_, func, or_, select, union_all
from sqlalchemy.orm import Session

from service.platform.arithmetic.dates import in_words, span_of
from service.platform.errors import NotFound
from service.platform.queries.answers import columns, grouped, read_as
from service.platform.queries.statements import known, param, param_list, statement
from service.proof.tables import Ending, PartLeakTest
from service.records.tables import Step, ToolSetting, TorqueReading
from service.store.arithmetic.calibrations import (
    AsLeft,
    CalibrationResult,
    CalibrationState,
    counting_then,
    finding_after,
    of_device,
    state_of,
)
from service.store.queries.instrument_columns import OF_PART_TEST, USED_BY
from service.store.tables import Calibration, Instrument, InstrumentAway, InstrumentDevice


@dataclass(frozen=True, slots=True)
class KeptCalibration:
    """One calibration as known now, with the span in which its device bore the mark."""

    id: int
    instrument_id: int
    done_at: datetime
    due_at: datetime
    due_operations: int | None
    result: CalibrationResult
    as_left: AsLeft | None
    error_percent: float | None
    error_offset: float | None
    error_full_scale_percent: float | None
    device_from: datetime | None
    device_until: datetime | None


def device_edge(instrument_id: Any, at: Any, *, after: bool) -> Any:
    """Select when the device that bore a mark at a time began to, or ceased to; NULL: never."""
    edge = func.min if after else func.max
    beyond = InstrumentDevice.from_at > at if after else InstrumentDevice.from_at <= at
    return (
        select(edge(InstrumentDevice.from_at))
        .where(InstrumentDevice.instrument_id == instrument_id, beyond)
        .scalar_subquery()
    )


_OF = (Calibration.instrument_id, Calibration.done_at)
CALIBRATIONS = (
    select(
        *columns(
            KeptCalibration,
            Calibration,
            device_from=device_edge(*_OF, after=False).correlate(Calibration),
            device_until=device_edge(*_OF, after=True).correlate(Calibration),
        )
    )
    .where(
        Calibration.instrument_id.in_(param_list("instrument_ids")),
        Calibration.known_until.is_(None),
    )
    .order_by(Calibration.done_at, Calibration.id)
)

# One operation is one nut tightened with a tool, or one reading or test with another instrument.


def _uses() -> Iterator[tuple[Any, Any, Select[Any]]]:
    """Each column that names an instrument, when it was used, and the rows that count."""
    for of, tools in USED_BY.items():
        for tool in tools:
            if tool is ToolSetting.instrument_id:
                continue  # a tool is used at the nuts it is set for
            if of is TorqueReading:
                yield tool, of.taken_at, select().where(known(of))
            else:
                rows = select().join_from(of, Step, Step.id == of.step_id)
                yield tool, Step.done_at, rows.where(Step.undone_at.is_(None))
    for tool in OF_PART_TEST:
        counts = PartLeakTest.ended_as.is_distinct_from(Ending.WRONG)
        yield tool, PartLeakTest.done_at, select().where(counts)


def operations_between(instrument_id: Any, since: Any = None) -> Any:
    """Count the operations of an instrument, those after a time where one is given."""
    counts = []
    for tool, at, rows in _uses():
        used = rows.add_columns(func.count()).where(tool == instrument_id)
        counts.append((used if since is None else used.where(at > since)).scalar_subquery())
    return sum(counts[1:], counts[0])


@statement
def _operations() -> Any:
    used = param_list("instrument_ids")
    return union_all(
        *(
            rows.add_columns(tool.label("instrument_id"), at.label("at")).where(tool.in_(used))
            for tool, at, rows in _uses()
        )
    )


@dataclass(frozen=True, slots=True)
class Histories:
    """The calibrations of some instruments, and the operations of those that are due by them."""

    calibrations: Mapping[int, list[KeptCalibration]]
    operations: Mapping[int, list[datetime]]

    def counting(self, instrument_id: int, when: datetime) -> KeptCalibration | None:
        """Return the calibration that counts at a time, valid or not."""
        found: KeptCalibration | None = counting_then(self._of(instrument_id, when), when)
        return found

    def last_good(self, instrument_id: int, when: datetime) -> KeptCalibration | None:
        """Return the last calibration by a time that found the instrument in tolerance."""
        good = [
            each
            for each in self._of(instrument_id, when)
            if each.result is CalibrationResult.IN_TOLERANCE
        ]
        found: KeptCalibration | None = counting_then(good, when)
        return found

    def operations_at(self, instrument_id: int, when: datetime) -> int:
        """Count the operations since the calibration that counts at a time; 0 where none count."""
        counting = self.counting(instrument_id, when)
        times = self.operations.get(instrument_id, [])
        if counting is None:
            return 0
        return max(0, bisect_left(times, when) - bisect_right(times, counting.done_at))

    def state(self, instrument_id: int, when: datetime) -> CalibrationState:
        """Say how the instrument stood at a time; of a partial date, all its span."""
        span = span_of(when)
        stood = set()
        for at in {span.begins, span.until}:
            counting = self.counting(instrument_id, at)
            count = self.operations_at(instrument_id, at)
            stood.add((counting and counting.id, state_of(counting, at, count)))
        return stood.pop()[1] if len(stood) == 1 else "not known"

    def valid(self, instrument_id: int, when: datetime) -> KeptCalibration | None:
        """Return the calibration a reading of a time was valid by; None: none held."""
        valid = self.state(instrument_id, when) == "valid"
        return self.counting(instrument_id, when) if valid else None

    def finding(self, instrument_id: int, when: datetime) -> KeptCalibration | None:
        """Return the next calibration after a time that found it out of tolerance."""
        found: KeptCalibration | None = finding_after(self._of(instrument_id, when), when)
        return found

    def _of(self, instrument_id: int, when: datetime) -> list[Any]:
        return of_device(self.calibrations.get(instrument_id, []), when)


AS_RECORDED = Histories({}, {})
"""No calibrations that would be others than those recorded."""


def histories(session: Session, instrument_ids: Collection[int]) -> Histories:
    """Return the calibrations of these instruments. One statement, two where operations count."""
    wanted = {"instrument_ids": sorted(instrument_ids)}
    rows = [read_as(KeptCalibration, row) for row in session.execute(CALIBRATIONS, wanted)]
    worn = sorted({row.instrument_id for row in rows if row.due_operations is not None})
    uses = session.execute(_operations(), {"instrument_ids": worn}).all() if worn else []
    return Histories(
        grouped(rows, "instrument_id"),
        {key: sorted(use.at for use in of) for key, of in grouped(uses, "instrument_id").items()},
    )


@dataclass(frozen=True, slots=True)
class CalibrationOn:
    """How an instrument stood on a date. Only ``valid`` may be used without a concession.

    ``id`` is the calibration that counted then, None where there was none. ``found_out_at`` is
    the time of a later calibration which found the instrument out of tolerance with no good one
    between: readings of that date are in doubt, though they were taken in good faith. ``away``
    says where it was, if it was away: then it cannot be used at all.
    """

    id: int | None
    state: CalibrationState
    due_at: datetime | None
    sentence: str
    found_out_at: datetime | None = None
    away: str = ""

    @property
    def is_valid(self) -> bool:
        """Say whether the instrument may be used without a concession."""
        return self.state == "valid"


def away_on(at: Any) -> ColumnElement[bool]:
    """Say whether an absence of an instrument holds at a time."""
    return and_(
        InstrumentAway.away_from <= at,
        or_(InstrumentAway.back_at.is_(None), InstrumentAway.back_at > at),
    )


_LABEL = (
    select(Instrument.label, InstrumentAway.away_from, InstrumentAway.place)
    .outerjoin(
        InstrumentAway,
        and_(InstrumentAway.instrument_id == Instrument.id, away_on(param("when"))),
    )
    .where(Instrument.id == param("id"))
)


def calibration_on(session: Session, instrument_id: int, when: datetime) -> CalibrationOn:
    """Say whether the instrument was in calibration on that date, and by which one.

    The latest calibration done by then counts, through the whole day it is due and until so many
    operations were made. One that found the instrument out of tolerance, and did not leave it in
    tolerance, does not let it be used until a later one does. Raises NotFound.
    """
    row = session.execute(_LABEL, {"id": instrument_id, "when": when}).first()
    if row is None:
        raise NotFound("instrument", instrument_id)
    label, of = row.label, histories(session, [instrument_id])
    away = f"{label} is away since {row.away_from:%Y-%m-%d}: {row.place}." if row.place else ""
    last, found_out = of.counting(instrument_id, when), of.finding(instrument_id, when)
    state = of.state(instrument_id, when)
    day = in_words(when, form="%Y-%m-%d")
    if state == "not known":
        sentence = f"Whether {label} was in calibration in {day} is not known."
    elif last is None:
        sentence = f"{label} had no calibration on {day}."
    elif state == "out of tolerance":
        sentence = f"{label} was found out of tolerance on {last.done_at:%Y-%m-%d}."
    elif state == "overdue":
        count = of.operations_at(instrument_id, when)
        due = f"on {last.due_at:%Y-%m-%d}"
        if last.due_operations is not None and count >= last.due_operations:
            due = f"after {last.due_operations} operations; {count} were counted"
        sentence = f"The calibration of {label} was due {due}."
    else:
        sentence = f"{label} was in calibration on {day}, due on {last.due_at:%Y-%m-%d}."
        if found_out is not None:
            at = f"{found_out.done_at:%Y-%m-%d}"
            sentence += f" It was found out of tolerance afterwards, on {at}."
    return CalibrationOn(
        last.id if last else None,
        state,
        last.due_at if last else None,
        sentence,
        found_out.done_at if found_out else None,
        away,
    )
