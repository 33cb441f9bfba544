"""Tests of a closed stack, and what keeps a build from hydrogen. Nothing is signed here."""

from typing import Annotated

from fastapi import APIRouter, Path, Query

from service.platform.api.answers import Data, Out, like, read_from
from service.platform.api.callers import Caller, Database
from service.platform.database import reading
from service.platform.errors import NotFound
from service.platform.permissions import Act, need
from service.proof.arithmetic.release_gate import SetPointLine
from service.proof.queries import releases
from service.proof.queries.build_verdicts import VerdictLine
from service.proof.queries.stack_tests import MadeTest, made_in_record, trace_kept
from service.stacks.queries.build_spans import builds_of
from service.stacks.queries.stacks import find_stack

router = APIRouter(tags=["tests"])
RecordNumber = Annotated[int, Path(ge=1, le=2**53)]


@like(MadeTest, only="kind done_at by note undone_at verdict formula limit_version")
class StackTestMade(Out):
    """One test as it was made: what was set and read, and what was computed from it."""

    entry: int = read_from("sequence")
    instruments: list[str]
    content: Data
    result: Data = read_from("result_text")


class Trace(Out):
    """The lines of time, pressure and temperature that a leak test was computed from."""

    sha256: str
    content: str


@like(VerdictLine, without="aside done_at today")
class Verdict(Out):
    """One verdict the limits in force ask for; ``now`` is what it is worth now."""

    now: str | None
    would_fail_today: bool


@like(releases.Gate, only="shut")
class Gate(Out):
    """What stands at the gate to hydrogen: ``shut`` are sentences, none where nothing does."""

    serial: str = read_from("build.stack")
    build_number: int = read_from("build.number")
    released: bool
    verdicts: list[Verdict] = read_from("lines")
    hints: list[str] = read_from("closed.together.hints")
    set_points: list[SetPointLine]


@router.get("/records/{record_id}/tests")
def tests(record_id: RecordNumber, caller: Caller, engine: Database) -> list[StackTestMade]:
    """Return the tests entered in a record in their order, failed and undone ones too."""
    need(caller, Act.READ)
    with reading(engine) as session:
        record_tests = made_in_record(session, record_id)
    return [
        StackTestMade.from_answer(test, instruments=[tool.label for tool in test.tools])
        for test in record_tests
    ]


@router.get("/traces/{sha256}")
def trace(
    sha256: Annotated[str, Path(pattern="^[0-9a-f]{64}$")], caller: Caller, engine: Database
) -> Trace:
    """Return the trace of a leak test as it was sent; the test's content names its hash."""
    need(caller, Act.READ)
    with reading(engine) as session:
        return Trace(sha256=sha256, content=trace_kept(session, sha256))


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
        chosen = [build_row for build_row in builds if build in {None, build_row.number}]
        if not chosen:
            raise NotFound("build", build or serial)
        answer = releases.gate(session, chosen[-1].build_id)
    set_points = answer.set_points.lines if answer.set_points else ()
    return Gate.from_answer(answer, released=answer.release is not None, set_points=set_points)
