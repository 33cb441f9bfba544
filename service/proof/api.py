"""Tests of a closed stack, and what keeps a build from hydrogen. Nothing is signed here."""

from typing import Annotated

from fastapi import APIRouter, Path, Query
from pydantic import AwareDatetime, Field

from service.platform.api.answers import Data, Made, Out, like, read_from
from service.platform.api.callers import Asked, Call, Caller, Database, make_once
from service.platform.changes import In, Name, Words
from service.platform.database import Work, reading
from service.platform.errors import NotFound
from service.platform.permissions import Act, need
from service.proof.arithmetic.release_gate import SetPointLine
from service.proof.changes.part_leak_tests import end_part_leak_test, record_part_leak_test
from service.proof.queries import releases
from service.proof.queries.build_verdicts import VerdictLine
from service.proof.queries.part_leak_tests import (
    MadePartTest,
    TestedPart,
    leak_tests_of_part,
    part_leak_test,
)
from service.proof.queries.stack_tests import MadeTest, made_in_record, trace_kept
from service.proof.queries.tested_objects import PartsTested
from service.proof.tables import Ending
from service.records.changes.deviations import Stands
from service.stacks.queries.build_spans import builds_of
from service.stacks.queries.stacks import find_stack
from service.store.queries.names import instruments_by_mark, part_by_text

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


class PartLeakTestSent(In):
    """A leak test of parts outside a closed stack; instruments are named by their marks."""

    parts: list[Annotated[str, Field(max_length=400)]] = Field(
        default=[], max_length=2000, description="serials or codes in the order of the pile"
    )
    stack: str = Field(default="", max_length=200, description="serial: layers of its open pile")
    from_layer: int | None = Field(default=None, ge=1, le=100_000)
    to_layer: int | None = Field(default=None, ge=1, le=100_000)
    fixture: str = Field(default="", max_length=200)
    design_id: int | None = Field(default=None, ge=1, le=2**53, description="whose limits hold")
    typed: dict[str, Annotated[str, Field(max_length=200)]] = Field(
        max_length=60,
        description="what was set and read, as in a leak test of a stack; `limit` and"
        " `limit_source` for a limit of its own",
    )
    instrument: Name = Field(description="mark on the pressure gauge")
    thermometer: Name | None = None
    meter: Name | None = Field(default=None, description="flow meter or helium leak detector")
    trace: str = Field(default="", max_length=400_000)
    stands: Stands | None = None
    outside_because: Words = ""
    note: Words = ""
    done_at: AwareDatetime | None = None


class Ended(In):
    """Why a leak test of parts counts no more."""

    ended_as: Ending
    because: Annotated[str, Field(min_length=1, max_length=4000)]


@like(TestedPart, without="test_id")
class TestedPartOut(Out):
    """A part of what was tested, in its place."""


@like(
    MadePartTest,
    only="id leak_object fixture record_id done_at by note deviation deviation_because"
    " ended_at ended_as ended_because verdict formula limit_version outdated",
)
class PartLeakTestMade(Out):
    """A leak test of parts; ``now`` is what its verdict is worth, ``outdated`` why."""

    now: str
    parts: list[TestedPartOut]
    instruments: list[str]
    content: Data
    result: Data = read_from("result_text")


def _test_made(test: MadePartTest) -> PartLeakTestMade:
    return PartLeakTestMade.from_answer(test, instruments=[tool.label for tool in test.tools])


@router.post("/leak-tests", status_code=201)
def make_part_leak_test(body: PartLeakTestSent, call: Call) -> Made:
    """Record a leak test of half plates or of a part of the pile."""
    need(call.caller, Act.RECORD_WRITE)

    def change(work: Work) -> int:
        names = (body.instrument, body.thermometer, body.meter)
        marks = instruments_by_mark(work.session, {name for name in names if name})
        return record_part_leak_test(
            work,
            PartsTested(
                tuple(body.parts),
                **body.model_dump(
                    include={"stack", "from_layer", "to_layer", "fixture", "design_id"}
                ),
            ),
            typed=body.typed,
            instrument_id=marks[body.instrument],
            thermometer_id=marks.get(body.thermometer or ""),
            meter_id=marks.get(body.meter or ""),
            **body.model_dump(include={"trace", "stands", "outside_because", "note", "done_at"}),
        )

    return make_once(call, change)


@router.get("/leak-tests/{test_id}")
def one_part_leak_test(test_id: RecordNumber, caller: Caller, engine: Database) -> PartLeakTestMade:
    """Return one leak test of parts, and what it is worth now."""
    need(caller, Act.READ)
    with reading(engine) as session:
        return _test_made(part_leak_test(session, test_id))


@router.post("/leak-tests/{test_id}/end", status_code=201)
def end(test_id: RecordNumber, body: Ended, call: Call) -> Made:
    """Say that a leak test of parts counts no more."""
    need(call.caller, Act.RECORD_WRITE)

    def change(work: Work) -> int:
        end_part_leak_test(work, test_id, ended_as=body.ended_as, because=body.because)
        return test_id

    return make_once(call, change)


@router.get("/parts/{serial}/leak-tests")
def leak_tests(
    serial: str, caller: Caller, engine: Database, as_of: Asked
) -> list[PartLeakTestMade]:
    """Return the leak tests a part was in outside a closed stack, the newest first."""
    need(caller, Act.READ)
    with reading(engine) as session:
        tests_made = leak_tests_of_part(session, part_by_text(session, serial), as_of)
        return [_test_made(test) for test in tests_made]


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
