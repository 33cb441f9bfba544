"""Tests of a closed stack, and what keeps a build from hydrogen. Nothing is signed here."""

import json
from datetime import datetime
from typing import Annotated, Any

from fastapi import APIRouter, Path, Query
from pydantic import AwareDatetime, Field

from service.platform.api.answers import Made, Out
from service.platform.api.callers import Caller, Database, OneTimeKey, made_once
from service.platform.api.request_models import In, Name, Words
from service.platform.database import Work, reading
from service.platform.errors import NotFound
from service.platform.permissions import Act, need
from service.proof import changes
from service.proof.queries.releases import gate
from service.proof.queries.stack_tests import made_in_record
from service.stacks.queries.build_spans import builds_of
from service.stacks.queries.stacks import find_stack
from service.store.queries.names import instruments_by_mark

router = APIRouter(tags=["tests"])
RecordNumber = Annotated[int, Path(ge=1, le=2**53)]
Typed = Annotated[
    dict[str, Annotated[str, Field(max_length=200)]],
    Field(
        max_length=60,
        description="what was set and read, as typed: texts with their units, by field",
    ),
]


class StackTestSent(In):
    """One test as typed. Instruments are named by their marks."""

    typed: Typed
    instrument: Name
    note: Words = ""
    done_at: AwareDatetime


class LeakTestSent(StackTestSent):
    """A test of tightness; the instrument is the pressure gauge."""

    thermometer: Name | None = None
    meter: Name | None = Field(None, description="flow meter, where one was read")


class ShortCheckSent(StackTestSent):
    """A check for shorts: one value a cell from the fixed end, a stroke where none was taken."""

    values: list[Annotated[str, Field(max_length=60)]] = Field(max_length=2000)


class StackTestMade(Out):
    """One test as it was made: what was set and read, and what was computed from it."""

    entry: int
    kind: str
    done_at: datetime
    by: str
    note: str
    undone_at: datetime | None
    verdict: str
    formula: str
    limit_version: int | None
    instruments: list[str]
    content: dict[str, Any]
    result: dict[str, Any]


class Verdict(Out):
    """One verdict the limits in force ask for; ``now`` is what it is worth now."""

    what: str
    verdict: str | None
    now: str | None
    outdated_by: str
    value: str
    limit: str
    source: str
    limit_version: int | None
    record_id: int | None
    entry: int | None
    would_fail_today: bool


class SetPoint(Out):
    """One set point, in the unit people use."""

    name: str
    value: str
    unit: str


class Gate(Out):
    """What stands at the gate to hydrogen: ``shut`` are sentences, none where nothing does."""

    serial: str
    build_number: int
    released: bool
    shut: list[str]
    verdicts: list[Verdict]
    hints: list[str]
    set_points: list[SetPoint]


@router.get("/records/{record_id}/tests")
def tests(record_id: RecordNumber, caller: Caller, engine: Database) -> list[StackTestMade]:
    """The tests entered in a record in their order, failed and undone ones too."""
    need(caller, Act.READ)
    with reading(engine) as session:
        made = made_in_record(session, record_id)
    return [
        StackTestMade(
            entry=one.sequence,
            kind=str(one.kind),
            done_at=one.done_at,
            by=one.by,
            note=one.note,
            undone_at=one.undone_at,
            verdict=str(one.verdict),
            formula=one.formula,
            limit_version=one.limit_version,
            instruments=[tool.label for tool in one.tools],
            content=json.loads(one.content),
            result=json.loads(one.result_text),
        )
        for one in made
    ]


@router.post("/records/{record_id}/leak-tests", status_code=201)
def leak_test(
    record_id: RecordNumber,
    test: LeakTestSent,
    caller: Caller,
    engine: Database,
    key: OneTimeKey = None,
) -> Made:
    """Add a test of tightness to a record that is being written."""

    def change(work: Work) -> int:
        marks = [mark for mark in (test.instrument, test.thermometer, test.meter) if mark]
        ids = instruments_by_mark(work.session, marks)
        return changes.record_leak_test(
            work,
            record_id,
            None,
            typed=test.typed,
            instrument_id=ids[test.instrument],
            thermometer_id=ids.get(test.thermometer or ""),
            meter_id=ids.get(test.meter or ""),
            note=test.note,
            done_at=test.done_at,
        )

    return made_once(engine, caller, key, change)


@router.post("/records/{record_id}/insulation-tests", status_code=201)
def insulation_test(
    record_id: RecordNumber,
    test: StackTestSent,
    caller: Caller,
    engine: Database,
    key: OneTimeKey = None,
) -> Made:
    """Add a test of insulation to a record that is being written."""
    return made_once(
        engine,
        caller,
        key,
        lambda work: changes.record_insulation_test(
            work,
            record_id,
            None,
            typed=test.typed,
            instrument_id=instruments_by_mark(work.session, [test.instrument])[test.instrument],
            note=test.note,
            done_at=test.done_at,
        ),
    )


@router.post("/records/{record_id}/short-checks", status_code=201)
def short_check(
    record_id: RecordNumber,
    check: ShortCheckSent,
    caller: Caller,
    engine: Database,
    key: OneTimeKey = None,
) -> Made:
    """Add a check for shorts to a record that is being written."""
    return made_once(
        engine,
        caller,
        key,
        lambda work: changes.record_short_check(
            work,
            record_id,
            None,
            typed=check.typed,
            values=check.values,
            instrument_id=instruments_by_mark(work.session, [check.instrument])[check.instrument],
            note=check.note,
            done_at=check.done_at,
        ),
    )


@router.get("/stacks/{serial}/verdicts")
def verdicts(
    *,
    serial: str,
    caller: Caller,
    engine: Database,
    build: Annotated[int | None, Query(ge=1, le=2**31, description="number of a build")] = None,
) -> Gate:
    """The verdicts of a build, the last one unless named, and what keeps it from hydrogen."""
    need(caller, Act.READ)
    with reading(engine) as session:
        builds = builds_of(session, find_stack(session, serial))
        wanted = [one for one in builds if build in {None, one.number}]
        if not wanted:
            raise NotFound("build", build or serial)
        found = gate(session, wanted[-1].build_id)
    return Gate(
        serial=found.build.stack,
        build_number=found.build.number,
        released=found.release is not None,
        shut=list(found.shut),
        verdicts=[Verdict.model_validate(line) for line in found.lines],
        hints=list(found.closed.together.hints),
        set_points=[
            SetPoint.model_validate(line)
            for line in (found.set_points.lines if found.set_points else ())
        ],
    )
