"""Leak tests of plates and of parts of the pile by themselves, and what has ended them since."""

from collections.abc import Collection, Mapping
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any

from sqlalchemy import ColumnElement, Text, and_, cast, exists, func, or_, select, union_all
from sqlalchemy.orm import Session, aliased

from service.limits.arithmetic.leak_objects import LeakObject
from service.limits.tables import LimitSet
from service.people.tables import Person
from service.platform.arithmetic.dates import PRESENT, AsOf
from service.platform.arithmetic.verdicts import Verdict
from service.platform.arithmetic.vocabulary import Kind, Whereabouts
from service.platform.errors import NotFound
from service.platform.queries.answers import columns, grouped, read_as
from service.platform.queries.statements import known, param_list, statement
from service.proof.arithmetic.leak_results import LeakResult
from service.proof.arithmetic.stack_tests import TestKind
from service.proof.arithmetic.tests_in_words import ResultLine, lines_of, what_of
from service.proof.queries.stack_tests import ToolRead, read_result, tools_joined, tools_of
from service.proof.tables import Ending, PartLeakTest, PartLeakTested
from service.records.tables import RebuildRecord, RecordState, Step, StepKind
from service.stacks.queries.part_lives import all_names_of
from service.stacks.tables import Build, BuildPeriod, Layer, Stack
from service.store.arithmetic.identifiers import part_label
from service.store.queries.calibrations import Histories, histories
from service.store.queries.instrument_columns import OF_PART_TEST
from service.store.tables import Lot, Part, PartType

GONE = (Whereabouts.SCRAPPED, Whereabouts.MISSING)
BETWEEN_PLATES = (Kind.HALF_PLATE, Kind.MEA)


@dataclass(frozen=True, slots=True)
class TestedPart:
    """A part of what was tested, in its place."""

    __test__ = False  # no test of ours

    test_id: int
    part_id: int
    label: str
    kind: Kind


@dataclass(frozen=True, slots=True)
class MadePartTest:
    """One leak test of parts as it was made. ``outdated``: what happened since; empty: it counts.

    ``ended_as`` is said by hand; what follows from openings and builds is derived.
    """

    id: int
    leak_object: LeakObject
    fixture: str
    record_id: int | None
    done_at: datetime
    written_at: datetime
    by: str
    note: str
    deviation: str | None
    deviation_because: str | None
    ended_at: datetime | None
    ended_as: Ending | None
    ended_because: str | None
    ended_by: str | None
    verdict: Verdict
    formula: str
    limit_version: int | None
    content: str
    result_text: str
    tools: tuple[ToolRead, ...]
    parts: tuple[TestedPart, ...] = ()
    outdated: str = ""

    @property
    def label(self) -> str:
        """What it is of, with the first and the last part."""
        names = [part.label for part in self.parts]
        joined = " and ".join(names) if len(names) < 3 else f"{names[0]} to {names[-1]}"
        return f"{self.leak_object} {joined}"

    @property
    def result(self) -> LeakResult:
        """What it gave."""
        result = read_result(TestKind.LEAK, self.result_text)
        assert isinstance(result, LeakResult)  # noqa: S101
        return result

    @property
    def what(self) -> str:
        """Which test it is, in a few words."""
        return what_of(self.result)

    @property
    def lines(self) -> tuple[ResultLine, ...]:
        """What it gave, value by value."""
        return lines_of(self.result)

    @property
    def limits(self) -> str:
        """What it was judged by, in words."""
        if self.limit_version:
            return f"version {self.limit_version} of the limits"
        given = any(path.limit_mbar_l_s is not None for path in self.result.paths)
        return "a limit given with the test" if given else "no limit"

    @property
    def now(self) -> Verdict:
        """What its verdict is worth now."""
        return Verdict.TEST_AGAIN if self.outdated else self.verdict


def part_leak_test(session: Session, test_id: int) -> MadePartTest:
    """Return one leak test of parts. Raises NotFound."""
    made = _made(session, [test_id])
    if not made:
        raise NotFound("leak test", test_id)
    return made[0]


TESTED = select(PartLeakTested.test_id).where(PartLeakTested.part_id.in_(all_names_of("part_ids")))


def leak_tests_of_part(
    session: Session, part_id: int, as_of: AsOf = PRESENT
) -> tuple[MadePartTest, ...]:
    """Return the leak tests a part was in, the newest first. Six statements at most.

    Those made and written by then; what has ended them is as it is now.
    """
    ids = session.scalars(TESTED, {"part_ids": [part_id]}).all()
    return tuple(
        test
        for test in (_made(session, ids) if ids else ())
        if as_of.has(happened_at=test.done_at, written_at=test.written_at)
    )


def used_in_part_test(instrument_id: int) -> ColumnElement[bool]:
    """Say whether a leak test of parts was made with an instrument, and not entered wrongly."""
    return and_(
        or_(*(tool == instrument_id for tool in OF_PART_TEST)),
        PartLeakTest.ended_as.is_distinct_from(Ending.WRONG),
    )


def part_leak_tests_with(session: Session, instrument_id: int) -> tuple[MadePartTest, ...]:
    """Return the leak tests of parts made with an instrument. Six statements at most."""
    ids = session.scalars(select(PartLeakTest.id).where(used_in_part_test(instrument_id))).all()
    return _made(session, ids) if ids else ()


@statement
def _tests() -> Any:
    ender = aliased(Person)
    return tools_joined(
        select(
            *columns(
                MadePartTest,
                PartLeakTest,
                by=Person.name,
                ended_by=ender.name,
                limit_version=LimitSet.version,
                result_text=PartLeakTest.result,
            )
        )
        .select_from(PartLeakTest)
        .join(Person, Person.id == PartLeakTest.by_id)
        .outerjoin(ender, ender.id == PartLeakTest.ended_by_id)
        .outerjoin(LimitSet, LimitSet.id == PartLeakTest.limit_set_id)
        .where(PartLeakTest.id.in_(param_list("ids")))
        .order_by(PartLeakTest.done_at.desc(), PartLeakTest.id.desc()),
        PartLeakTest,
    )


PARTS = (
    select(
        PartLeakTested.test_id,
        PartLeakTested.part_id,
        Part.serial,
        Part.item_number,
        Part.whereabouts,
        Part.is_part_id,
        Lot.label.label("lot"),
        PartType.kind,
    )
    .join(Part, Part.id == PartLeakTested.part_id)
    .join(PartType, PartType.id == Part.part_type_id)
    .outerjoin(Lot, Lot.id == Part.lot_id)
    .where(PartLeakTested.test_id.in_(param_list("ids")))
    .order_by(PartLeakTested.test_id, PartLeakTested.place)
)


def _made(session: Session, ids: Collection[int]) -> tuple[MadePartTest, ...]:
    rows: Any = session.execute(_tests(), {"ids": list(ids)}).all()
    of = histories(session, {tool.id for row in rows for tool in tools_of(row)})
    parts = grouped(session.execute(PARTS, {"ids": list(ids)}), "test_id")
    since = _separated(session, [test_id for test_id in ids if len(parts[test_id]) > 1])
    return tuple(
        replace(
            made := read_as(
                MadePartTest, row, tools=tools_of(row), parts=tuple(map(_part, parts[row.id])),
                outdated="",
            ),
            outdated=_outdated(made, parts[row.id], since) or _doubt(made, of),
        )
        for row in rows
    )  # fmt: skip


def _part(row: Any) -> TestedPart:
    label = part_label(row.serial, row.lot, row.item_number)
    return TestedPart(row.test_id, row.part_id, label, row.kind)


def _outdated(made: MadePartTest, parts: list[Any], since: Mapping[int, str]) -> str:
    if made.ended_as is not None:
        return f"{made.ended_as}: {made.ended_because}"
    gone = [row for row in parts if row.whereabouts in GONE and row.is_part_id is None]
    if gone and len(parts) > 1:
        return f"{_part(gone[0]).label} is {gone[0].whereabouts}"
    return since.get(made.id, "")


def _doubt(made: MadePartTest, of: Histories) -> str:
    """Say which of its instruments was found out of tolerance since, if one was."""
    out = [tool.label for tool in made.tools if of.finding(tool.id, made.done_at) is not None]
    return f"{' and '.join(out)} found out of tolerance since" if out else ""


def _separated(session: Session, ids: Collection[int]) -> dict[int, str]:
    """Say what parted the parts of each test first since it was made. One statement."""
    if not ids:
        return {}
    firsts: dict[int, Any] = {}
    for row in session.execute(_partings(), {"ids": list(ids)}):
        if row.test_id not in firsts or row.at < firsts[row.test_id].at:
            firsts[row.test_id] = row
    return {test_id: row.words for test_id, row in firsts.items()}


@statement
def _partings() -> Any:
    """Openings that parted two of its parts, builds that hold them otherwise, other tests."""
    of_test, other = aliased(PartLeakTested), aliased(PartLeakTested)
    asked = PartLeakTest.id.in_(param_list("ids"))
    lifted = (
        select(
            PartLeakTest.id.label("test_id"),
            Step.done_at.label("at"),
            _text("separated in record ", RebuildRecord.id).label("words"),
        )
        .join(of_test, of_test.test_id == PartLeakTest.id)
        .join(Step, Step.part_id == of_test.part_id)
        .join(other, and_(other.test_id == PartLeakTest.id, other.part_id == Step.exposed_part_id))
        .join(RebuildRecord, RebuildRecord.id == Step.record_id)
        .where(
            asked,
            Step.kind == StepKind.LIFTED_OFF,
            Step.undone_at.is_(None),
            Step.done_at > PartLeakTest.done_at,
            RebuildRecord.state != RecordState.VOID,
        )
    )
    return union_all(lifted, _built_otherwise(asked), _tested_otherwise(asked))


def _text(first: str, *more: Any) -> ColumnElement[str]:
    words: ColumnElement[str] = cast(first, Text())
    for part in more:
        words = words.concat(cast(part, Text()))
    return words


def _built_otherwise(asked: Any) -> Any:
    """Builds closed since that hold only some of the parts, or another plate between them."""
    seats = (
        select(
            PartLeakTest.id.label("test_id"),
            Layer.build_id,
            BuildPeriod.closed_at.label("at"),
            func.count(Layer.id).label("seated"),
            func.min(Layer.position).label("first"),
            func.max(Layer.position).label("last"),
        )
        .join(PartLeakTested, PartLeakTested.test_id == PartLeakTest.id)
        .join(Layer, and_(Layer.part_id == PartLeakTested.part_id, known(Layer)))
        .join(BuildPeriod, and_(BuildPeriod.build_id == Layer.build_id, known(BuildPeriod)))
        .where(asked, BuildPeriod.closed_at > PartLeakTest.done_at)
        .group_by(PartLeakTest.id, Layer.build_id, BuildPeriod.closed_at)
        .subquery()
    )
    count = select(func.count()).where(PartLeakTested.test_id == seats.c.test_id)
    between, tested = aliased(Layer), aliased(PartLeakTested)
    stranger = (
        exists()
        .where(
            between.build_id == seats.c.build_id,
            known(between),
            between.position > seats.c.first,
            between.position < seats.c.last,
            Part.id == between.part_id,
            PartType.id == Part.part_type_id,
            PartType.kind.in_(BETWEEN_PLATES),
            ~exists()
            .where(tested.test_id == seats.c.test_id, tested.part_id == between.part_id)
            .correlate(seats, between),
        )
        .correlate(seats)
    )
    return (
        select(
            seats.c.test_id,
            seats.c.at,
            _text("fitted otherwise in build ", Build.number, " of ", Stack.serial),
        )
        .join(Build, Build.id == seats.c.build_id)
        .join(Stack, Stack.id == Build.stack_id)
        .where(or_(seats.c.seated < count.scalar_subquery(), stranger))
    )


def _tested_otherwise(asked: Any) -> Any:
    """Later tests of one half plate of a pair together with another one."""
    later, shared, added = aliased(PartLeakTest), aliased(PartLeakTested), aliased(PartLeakTested)
    of_test, same = aliased(PartLeakTested), aliased(PartLeakTested)
    is_new = ~exists().where(
        same.test_id == PartLeakTest.id, same.part_id == added.part_id
    ).correlate(PartLeakTest, added)
    return (
        select(
            PartLeakTest.id,
            later.done_at,
            _text("tested with another plate in leak test ", later.id),
        )
        .join(of_test, of_test.test_id == PartLeakTest.id)
        .join(shared, shared.part_id == of_test.part_id)
        .join(later, later.id == shared.test_id)
        .join(added, and_(added.test_id == later.id, is_new))
        .join(Part, Part.id == added.part_id)
        .join(PartType, and_(PartType.id == Part.part_type_id, PartType.kind == Kind.HALF_PLATE))
        .where(
            asked,
            later.done_at > PartLeakTest.done_at,
            or_(later.ended_as.is_(None), later.ended_as != Ending.WRONG),
            PartLeakTest.leak_object == LeakObject.PAIR,
            later.leak_object == LeakObject.PAIR,
        )
    )
