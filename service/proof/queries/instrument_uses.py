"""What was read with an instrument that cannot be trusted, by build; what is judged of it.

Either a calibration found it out of tolerance, or no calibration held when it was used. Readings
stay as they were entered; beside each stands what it says with the error found.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import CompoundSelect, func, select, union_all
from sqlalchemy.orm import Session

from service.people.queries.people import with_login
from service.people.tables import Person
from service.platform.arithmetic.canonical import canonical_json, sha256_of
from service.platform.arithmetic.vocabulary import Stage
from service.platform.errors import NotFound
from service.platform.queries.answers import columns, read_as
from service.platform.queries.statements import known, param
from service.proof.arithmetic.with_the_error import (
    ErrorInUnit,
    Still,
)
from service.proof.queries.readings_with import Use, readings_with
from service.proof.queries.stack_tests import MadeTest
from service.records.queries.records import people_on
from service.records.tables import (
    HeldClosing,
    Step,
    ToolSetting,
    TorqueReading,
)
from service.stacks.tables import Build
from service.store.arithmetic.calibrations import FoundError, Point
from service.store.arithmetic.instrument_errors import NOT_STATED, found_error
from service.store.arithmetic.instruments import InstrumentKind
from service.store.queries.calibrations import Histories, KeptCalibration, histories
from service.store.queries.instrument_columns import USED_BY
from service.store.tables import CalibrationPoint, Instrument, UseDecision, UseJudgement


@dataclass(frozen=True, slots=True)
class Judged:
    """A judgement as it was signed; ``holds``: its content is what was hashed."""

    decision: UseDecision
    reason: str
    by: str
    signed_at: datetime
    remarks: str | None
    holds: bool


@dataclass(frozen=True, slots=True)
class BuildInDoubt:
    """One build with what was read of it, and the newest judgement; None: it waits for one.

    ``build_id`` None: readings of a stack as it stood open or as found, which make no build, or, of
    no stack, of parts tested alone.
    """

    build_id: int | None
    number: int | None
    stack_serial: str
    uses: tuple[Use, ...]
    judged: Judged | None
    involved: frozenset[int]
    content: str

    @property
    def content_sha256(self) -> str:
        """Hash of what is judged."""
        return sha256_of(self.content)

    @property
    def tally(self) -> Mapping[Still, int]:
        """How many readings are worth what."""
        return {
            still: count
            for still in Still
            if (count := sum(use.still is still for use in self.uses))
        }


@dataclass(frozen=True, slots=True)
class Assessment:
    """All that was read with one instrument since it was last known good.

    ``calibration`` is the one that found it out of tolerance; None: no calibration held. ``since``
    None: from the beginning. ``error`` says how far it was off, where that is known.
    """

    instrument_id: int
    label: str
    kind: InstrumentKind
    unit: str
    calibration: KeptCalibration | None
    since: datetime | None
    is_error_known: bool
    builds: tuple[BuildInDoubt, ...]

    @property
    def waiting(self) -> tuple[BuildInDoubt, ...]:
        """The builds that wait for a judgement."""
        return tuple(
            build for build in self.builds if build.build_id is not None and build.judged is None
        )


def assessment(session: Session, instrument_id: int, calibration_id: int | None) -> Assessment:
    """Return what rests on an instrument that a calibration found out, or that had none.

    A constant number of statements. Raises NotFound where the calibration found nothing wrong.
    """
    tool = session.execute(
        select(Instrument.label, Instrument.kind, Instrument.unit, Instrument.range_most).where(
            Instrument.id == instrument_id
        )
    ).first()
    if tool is None:
        raise NotFound("instrument", instrument_id)
    of = histories(session, [instrument_id])
    finding = next(
        (each for each in of.calibrations.get(instrument_id, []) if each.id == calibration_id), None
    )
    if calibration_id is not None and finding is None:
        raise NotFound("calibration", calibration_id)
    error = _error(session, tool, finding)
    uses = [
        use
        for use in readings_with(session, instrument_id, tool.kind, error)
        if _doubted(of, instrument_id, finding, use.taken_at)
    ]
    return Assessment(
        instrument_id,
        tool.label,
        tool.kind,
        tool.unit,
        finding,
        _since(of, finding),
        error.found.is_known,
        tuple(_builds(session, instrument_id, calibration_id, uses)),
    )


def _since(of: Histories, finding: KeptCalibration | None) -> datetime | None:
    if finding is None:
        return None
    same = [
        each.done_at
        for each in of.calibrations[finding.instrument_id]
        if each.device_from == finding.device_from and each.done_at < finding.done_at
    ]
    return max(same, default=finding.device_from)


def _doubted(
    of: Histories, instrument_id: int, finding: KeptCalibration | None, at: datetime
) -> bool:
    if finding is None:
        return of.state(instrument_id, at) != "valid"
    after = of.finding(instrument_id, at)
    return after is not None and after.id == finding.id


def _error(session: Session, tool: Any, finding: KeptCalibration | None) -> ErrorInUnit:
    if finding is None:
        return ErrorInUnit(FoundError(NOT_STATED), tool.unit)
    rows = session.execute(
        select(
            CalibrationPoint.reference, CalibrationPoint.as_found, CalibrationPoint.as_left
        ).where(CalibrationPoint.calibration_id == finding.id)
    )
    points = tuple(read_as(Point, row) for row in rows)
    return ErrorInUnit(FoundError(found_error(finding, tool.range_most), points), tool.unit)


def _builds(
    session: Session, instrument_id: int, calibration_id: int | None, uses: Sequence[Use]
) -> Iterator[BuildInDoubt]:
    """The builds the readings are of, the latest first, then readings of none. Four statements."""
    by_build: dict[tuple[int, str], list[Use]] = {}
    for use in uses:
        by_build.setdefault((use.build_id or 0, use.stack_serial), []).append(use)
    ids = [build_id for build_id, _serial in by_build if build_id]
    numbers = dict(session.execute(select(Build.id, Build.number).where(Build.id.in_(ids))).all())
    judged = judgements(session, ids, [instrument_id])
    people = people_on(session, {use.record_id for use in uses if use.record_id})
    for (build_id, serial), of_build in sorted(by_build.items(), reverse=True):
        newest = judged.get((build_id, instrument_id, calibration_id))
        yield BuildInDoubt(
            build_id or None,
            numbers.get(build_id),
            serial,
            tuple(of_build),
            newest,
            frozenset().union(*(people[use.record_id] for use in of_build if use.record_id)),
            canonical_json(_as_data(build_id, instrument_id, calibration_id, of_build)),
        )


def _as_data(
    build_id: int, instrument_id: int, calibration_id: int | None, uses: Sequence[Use]
) -> dict[str, Any]:
    return {
        "form": "use judgement 1",
        "build": build_id,
        "instrument": instrument_id,
        "calibration": calibration_id,
        "uses": [
            {
                "record": use.record_id,
                "taken at": use.taken_at.isoformat(),
                "what": use.what,
                "shown": use.shown,
                "corrected": use.corrected,
                "still": str(use.still),
            }
            for use in uses
        ],
    }


Key = tuple[int, int, int | None]
"""A build, an instrument, and the calibration that found it out; None: none held."""


def judgements(
    session: Session, build_ids: Sequence[int], instrument_ids: Sequence[int]
) -> dict[Key, Judged]:
    """Return the newest judgement of each of these. One statement, none without builds."""
    if not build_ids:
        return {}
    rows: Any = session.execute(
        select(
            *columns(Judged, UseJudgement, by=with_login(Person)),
            UseJudgement.build_id,
            UseJudgement.instrument_id,
            UseJudgement.calibration_id,
            UseJudgement.content,
            UseJudgement.content_sha256,
        )
        .join(Person, Person.id == UseJudgement.signed_by_id)
        .where(UseJudgement.build_id.in_(build_ids), UseJudgement.instrument_id.in_(instrument_ids))
        .order_by(UseJudgement.signed_at, UseJudgement.id)
    )
    return {
        (row.build_id, row.instrument_id, row.calibration_id): read_as(
            Judged, row, holds=sha256_of(row.content) == row.content_sha256
        )
        for row in rows
    }


# What of a closed stack cannot be counted before somebody has judged it.


@dataclass(frozen=True, slots=True)
class Doubts:
    """Why tests, by their entries, and the closing do not count; words of a hold, if one stands."""

    tests: Mapping[int, str]
    closing: str = ""
    hold: str = ""


NO_DOUBTS = Doubts({})
_CLOSED_WITH: CompoundSelect[Any] = union_all(
    select(
        TorqueReading.instrument_id,
        Instrument.label,
        func.max(TorqueReading.taken_at).label("used_at"),
    )
    .join(Instrument, Instrument.id == TorqueReading.instrument_id)
    .where(
        TorqueReading.record_id == param("record_id"),
        TorqueReading.stage == Stage.CLOSING,
        known(TorqueReading),
    )
    .group_by(TorqueReading.instrument_id, Instrument.label),
    *(
        select(tool, Instrument.label, Step.done_at)
        .join(Step, Step.id == of.step_id)
        .join(Instrument, Instrument.id == tool)
        .where(of.record_id == param("record_id"), Step.undone_at.is_(None))
        for of in (HeldClosing, ToolSetting)
        for tool in USED_BY[of]
    ),
)


def doubts_of(
    session: Session, build_id: int, tests: Sequence[MadeTest], closed_in: int | None
) -> Doubts:
    """Return what of a closed stack rests on instruments that cannot be trusted.

    Found out of tolerance afterwards, or of a test, without a calibration that held; until it is
    judged and accepted. ``closed_in``: the record whose closing counts. Three statements at most.
    """
    tools = session.execute(_CLOSED_WITH, {"record_id": closed_in}).all() if closed_in else []
    labels = {tool.id: tool.label for test in tests for tool in test.tools}
    labels |= {tool.instrument_id: tool.label for tool in tools}
    if not labels:
        return NO_DOUBTS
    of = histories(session, labels)
    of_tests = {
        test.step_id: keys
        for test in tests
        if (keys := [key for tool in test.tools if (key := _cause(of, tool.id, test.done_at))])
    }
    of_closing = {
        (tool.instrument_id, found): None
        for tool in tools
        if (found := of.finding(tool.instrument_id, tool.used_at)) is not None
    }
    if not of_tests and not of_closing:
        return NO_DOUBTS
    judged = judgements(session, [build_id] if build_id else [], sorted(labels))

    def word(key: tuple[int, KeptCalibration | None], written_at: datetime | None) -> str:
        instrument_id, found = key
        of_build = judged.get((build_id, instrument_id, found.id if found else None))
        return _doubt(labels[instrument_id], found, of_build, written_at)

    written = {test.step_id: test.written_at for test in tests}
    words = {
        step_id: sentence
        for step_id, keys in of_tests.items()
        if (sentence := "; ".join(filter(None, (word(key, written[step_id]) for key in keys))))
    }
    closing = "; ".join(filter(None, (word(key, None) for key in of_closing)))
    used = {(key, found.id if found else None) for keys in of_tests.values() for key, found in keys}
    used |= {(key, found.id) for key, found in of_closing}
    holds = [
        f"{labels[instrument_id]}: {each.reason.rstrip('.')}, by {each.by}"
        for (_build, instrument_id, found_by), each in judged.items()
        if each.decision is UseDecision.HOLD and (instrument_id, found_by) in used
    ]
    return Doubts(words, closing, "; ".join(holds))


def _cause(
    of: Histories, instrument_id: int, at: datetime
) -> tuple[int, KeptCalibration | None] | None:
    found = of.finding(instrument_id, at)
    if found is None and of.state(instrument_id, at) == "valid":
        return None
    return instrument_id, found


def _doubt(
    label: str, found: KeptCalibration | None, judged: Judged | None, written_at: datetime | None
) -> str:
    """Why a use does not count; empty: it is accepted. What is written later is not judged yet."""
    if judged is not None and (written_at is None or written_at <= judged.signed_at):
        accepted = judged.decision is UseDecision.ACCEPT
        return "" if accepted else f"{label}: judged “{judged.decision}”"
    if found is None:
        return f"{label} was not in calibration, to be judged"
    return f"{label} found out of tolerance on {found.done_at:%Y-%m-%d}, to be judged"
