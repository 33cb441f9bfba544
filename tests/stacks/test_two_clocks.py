"""Two clocks: the stack as it was on D, as thought to be on K, against a fold in plain Python.

The same history is played twice: through the changes of the records into either database, and
through ten lines over a list. Every question (D, K) must get the same answer from both.
"""

from datetime import datetime, timedelta
from typing import Any

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as some
from sqlalchemy import Engine, select
from sqlalchemy.orm import Session

from service.bench.changes.corrections import decide, propose
from service.bench.changes.handing_in import hand_in
from service.bench.changes.layers import lift_off, put_on
from service.bench.queries.correctable_values import written_time
from service.bench.queries.corrections import correctable
from service.bench.tables import Correction, CorrectionOf
from service.people.tables import Role
from service.platform.arithmetic.vocabulary import End
from service.platform.database import changing, reading
from service.platform.errors import Refused
from service.platform.permissions import Person
from service.records.changes.bench_opening import close_stack, open_stack
from service.records.changes.deviations import Stands, Unloaded
from service.records.changes.make_safe import record_exception
from service.records.tables import RecordKind
from service.stacks.queries.layer_maps import layer_map
from service.store.tables import Part
from tests import builders
from tests.bench.at_the_bench import SEEN_NOTHING, Bench, Lab, known

Journal = list[tuple[datetime, tuple[Any, ...]]]
HOUR = timedelta(hours=1)


def as_thought(journal: Journal, on: datetime, known_at: datetime) -> Any:
    """Layers of the stack on a day as thought on another, and since when it stood open then."""
    builds: list[list[Any]] = []
    for _at, entry in (one for one in journal if one[0] <= known_at):
        match entry:
            case "build", opened_at, closed_at, parts:
                if builds:
                    builds[-1][1] = opened_at
                builds.append([closed_at, None, list(parts)])
            case "part", number, wrong, right:
                for build in builds[number - 1 :]:
                    if wrong not in build[2]:
                        break
                    build[2][build[2].index(wrong)] = right
            case "time", number, which, at:
                builds[number - 1][which] = at
    begun = [build for build in builds if build[0] <= on]
    if not begun:
        return None
    _closed, opened, parts = begun[-1]
    return parts, opened if opened is not None and opened <= on else None


class History:
    """One stack whose pile is three MEAs high, and parts enough to exchange them."""

    def __init__(self, engine: Engine) -> None:
        self.lab = _lab(engine)
        self.decider = self.lab.rows(lambda s: known(s, builders.a_person(s, Role.SUPERVISOR)))
        self.proposer = self.lab.rows(lambda s: known(s, builders.a_person(s, Role.QUALITY)))
        self.spares: list[int] = self.lab.rows(
            lambda s: [builders.a_part(s, builders.the_part_types(s).mea).id for _ in range(12)]
        )
        self.journal: Journal = []
        self.records: list[int] = []

    def build(self, lifted: int, puts: list[int]) -> None:
        """Open the stack, lift some layers off, put others on, close, hand in."""
        self.lab.now += 24 * HOUR
        first = not self.records
        opened_at = self.lab.now - 3 * HOUR
        record = self.lab.begin(
            RecordKind.FIRST_BUILD if first else RecordKind.REBUILD,
            performed_from=self.lab.now - 4 * HOUR,
        )
        if not first:
            record.do(record_exception, reason="test", done_at=opened_at)
            record.do(open_stack, opened_at=opened_at, hours_unknown_because="no meter")
            for _ in range(min(lifted, len(record.pile.layers))):
                record.do(lift_off, end=End.FREE, findings=SEEN_NOTHING, done_at=opened_at)
        self._put_on(record, puts, opened_at)
        closed_at = self.lab.now - HOUR
        record.do(close_stack, closed_at=closed_at)
        parts = [layer.part for layer in record.pile.layers]
        record.do(hand_in)
        self.records.append(record.number)
        self.journal.append((self.lab.now, ("build", opened_at, closed_at, parts)))

    def _put_on(self, record: Bench, puts: list[int], at: datetime) -> None:
        with Session(self.lab.engine) as session:
            free = set(
                session.scalars(
                    select(Part.id).where(Part.id.in_(self.spares), Part.stack_id.is_(None))
                )
            )
        wanted = list(dict.fromkeys(self.spares[i] for i in puts if self.spares[i] in free))
        for part in wanted or sorted(free)[:1]:
            record.do(put_on, end=End.FREE, part_id=part, done_at=at)

    def correct_part(self, which: int, layer: int, right: int) -> None:
        """Correct one layer that came in with some record; what cannot be is refused."""
        number = which % len(self.records)
        facts = self._facts(number, CorrectionOf.LAYER_PART)
        if not facts:  # nothing was put on in this record
            return
        fact = facts[layer % len(facts)]
        part = self.spares[right % len(self.spares)]
        serial = self.lab.get(Part, part).serial
        exchanged = next((one for one in facts if one.details.part_id == part), None)
        if self._correct(number, fact, serial):
            wrong = fact.details.part_id
            if exchanged is None:
                self.journal.append((self.lab.now, ("part", number + 1, wrong, part)))
            else:
                self._exchange(number + 1, wrong, part)

    def _exchange(self, number: int, one: int, other: int) -> None:
        for wrong, right in ((one, -1), (other, one), (-1, other)):
            self.journal.append((self.lab.now, ("part", number, wrong, right)))

    def correct_time(self, which: int, is_opening: bool, minutes: int) -> None:
        """Move an opening or closing."""
        number = which % len(self.records)
        of = CorrectionOf.OPENED_AT if is_opening else CorrectionOf.CLOSED_AT
        for fact in self._facts(number, of)[:1]:
            assert fact.at is not None
            at = fact.at + timedelta(minutes=minutes)
            if self._correct(number, fact, written_time(at)):
                entry = ("time", number if is_opening else number + 1, int(is_opening), at)
                self.journal.append((self.lab.now, entry))

    def _facts(self, number: int, of: CorrectionOf) -> list[Any]:
        with reading(self.lab.engine) as session:
            facts = correctable(session, self.records[number]).facts
        return [fact for fact in facts if fact.of is of]

    def _correct(self, number: int, fact: Any, new_value: str | None) -> bool:
        self.lab.now += HOUR
        try:
            with changing(self.lab.engine, self.proposer, now=self.lab.now) as work:
                written = propose(
                    work,
                    self.records[number],
                    of=fact.of,
                    subject_id=fact.subject_id,
                    new_value=new_value or "",
                    reason="misread",
                    stands=Stands.STANDS,
                    outside_because="it was found so",
                    unloaded_first=Unloaded.NO,
                )
        except Refused:
            return False
        self.lab.now += HOUR
        sha256 = self.lab.get(Correction, written).content_sha256
        with changing(self.lab.engine, self.decider, now=self.lab.now) as work:
            decide(work, written, approve=True, content_sha256=sha256, password=builders.PASSWORD)
        return True

    def compare(self) -> None:
        """Ask both for every day on which something happened, as thought at every moment."""
        known_ats = [at + step for at, _ in self.journal for step in (-HOUR / 60, HOUR / 60)]
        days = sorted(
            {
                at + step
                for _, entry in self.journal
                for at in entry
                if isinstance(at, datetime)
                for step in (-HOUR / 60, timedelta(0), HOUR / 60)
            }
        )
        with reading(self.lab.engine) as session:
            for known_at in known_ats:
                for on in days:
                    shown = layer_map(session, self.lab.stack_id, on=on, known_at=known_at)
                    answer = (
                        ([layer.part for layer in shown.layers], shown.open_since)
                        if shown.build
                        else None
                    )
                    assert answer == as_thought(self.journal, on, known_at), (on, known_at)


def _lab(engine: Engine) -> Lab:
    with Session(engine) as session:
        builder = known(session, builders.a_person(session, Role.BUILDER))
        stack = builders.a_stack(session)
        session.commit()
        nobody = Person(0, "", "")
        return Lab(
            engine, builder, nobody, stack.id, 0, 0, 0, builders.FIRST_CLOSING + timedelta(days=1)
        )


PLACES = some.integers(0, 11)
STEPS = some.lists(
    some.one_of(
        some.tuples(some.just("build"), some.integers(0, 4), some.lists(PLACES, max_size=3)),
        some.tuples(some.just("part"), some.integers(0, 5), some.integers(0, 3), PLACES),
        some.tuples(
            some.just("time"), some.integers(0, 5), some.booleans(), some.integers(-300, 90)
        ),
    ),
    min_size=1,
    max_size=8,
)
CARRIED_ON = [("build", 0, []), ("part", 0, 1, 9), ("part", 0, 0, 2), ("time", 1, True, -30)]


@settings(max_examples=settings.default.max_examples // 4)
@given(first=some.lists(PLACES, min_size=2, max_size=4, unique=True), steps=STEPS)
@example(first=[0, 1, 2], steps=CARRIED_ON)
@example(first=[3, 4], steps=[("build", 1, [5]), ("part", 0, 1, 6), ("time", 0, False, -60)])
def test_every_day_as_thought_on_every_other(
    engine: Engine, first: list[int], steps: list[tuple[Any, ...]]
) -> None:
    history = History(engine)
    history.build(0, first)
    for what, *given_ in steps:
        {"build": history.build, "part": history.correct_part, "time": history.correct_time}[what](
            *given_
        )

    history.compare()


@pytest.mark.both_engines
def test_the_examples_are_no_empty_ones(engine: Engine) -> None:
    """Corrections of a part carried on, of two exchanged and of a time are all accepted."""
    history = History(engine)
    history.build(0, [0, 1, 2])
    history.build(0, [])
    before = len(history.journal)
    history.correct_part(0, 1, 9)
    history.correct_part(0, 0, 2)
    history.correct_time(1, True, -30)

    assert len(history.journal) == before + 1 + 3 + 1
    history.compare()
