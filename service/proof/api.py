"""Tests of a closed stack, and what keeps a build from hydrogen. Nothing is signed here."""

import json
from datetime import datetime
from typing import Annotated, Any

from fastapi import APIRouter, Path, Query

from service.platform.api.answers import Out
from service.platform.api.callers import Caller, Database
from service.platform.database import reading
from service.platform.errors import NotFound
from service.platform.permissions import Act, need
from service.proof.queries.releases import gate
from service.proof.queries.stack_tests import made_in_record
from service.stacks.queries.build_spans import builds_of
from service.stacks.queries.stacks import find_stack

router = APIRouter(tags=["tests"])
RecordNumber = Annotated[int, Path(ge=1, le=2**53)]


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
    """Return the tests entered in a record in their order, failed and undone ones too."""
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


@router.get("/stacks/{serial}/verdicts")
def verdicts(
    *,
    serial: str,
    caller: Caller,
    engine: Database,
    build: Annotated[int | None, Query(ge=1, le=2**31, description="number of a build")] = None,
) -> Gate:
    """Return a build's verdicts, the last unless named, and what keeps it from hydrogen."""
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
