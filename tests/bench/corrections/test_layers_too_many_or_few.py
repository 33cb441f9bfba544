"""A layer or fixing too many or too few: recorded and found stand side by side."""

from typing import Any

import pytest
from sqlalchemy import Engine, select
from sqlalchemy.orm import Session

from service.bench.queries.correction_preview import preview
from service.bench.queries.corrections import Fact, correction
from service.bench.tables import CorrectionOf
from service.platform.arithmetic.vocabulary import Kind, Whereabouts
from service.platform.errors import Refused
from service.records.queries.pile_checks import check_of_build, pile_check
from service.records.queries.working_piles import layers_of_build, pile_known_now, working_pile
from service.stacks.queries.hours import build_hours
from service.stacks.queries.layer_maps import layer_map
from service.stacks.queries.part_hours import part_hours
from service.stacks.tables import Build, Fixing
from service.store.tables import Lot, Part
from tests.bench.at_the_bench import where
from tests.bench.corrections.test_corrections import Desk, a_desk
from tests.proof.test_releases_corrected import ENDS, Released

OF = CorrectionOf


@pytest.fixture
def desk(engine: Engine) -> Desk:
    return a_desk(engine)


def parts(desk: Desk, build: int, **known: Any) -> list[int]:
    with Session(desk.lab.engine) as session:
        shown = layer_map(session, desk.lab.stack_id, build_number=build, **known)
    return [layer.part for layer in shown.layers]


def first_gasket(desk: Desk, of: CorrectionOf) -> Any:
    return desk.fact(desk.first, of, kind=Kind.GASKET)


def first_mea(desk: Desk, of: CorrectionOf) -> Any:
    return desk.fact(desk.first, of, kind=Kind.MEA)


@pytest.mark.both_engines
def test_case_31_an_extra_gasket_found_lies_in_the_pile_from_its_closing_on(desk: Desk) -> None:
    lot_id = desk.spare("gas_gasket").lot_id
    assert lot_id is not None
    fact = first_mea(desk, OF.LAYER_TOO_FEW)
    before, later, then = parts(desk, 1), parts(desk, 2), desk.lab.now

    number = desk.propose(desk.first, fact, desk.lab.get(Lot, lot_id).label)
    shown = what_follows(desk, number)
    desk.decide(number)

    at = before.index(fact.details.part_id)
    (extra_id,) = set(parts(desk, 1)) - set(before)
    assert desk.lab.get(Part, extra_id).lot_id == lot_id
    assert parts(desk, 1) == [*before[: at + 1], extra_id, *before[at + 1 :]]
    assert parts(desk, 1, known_at=then) == before
    assert parts(desk, 2) == later
    assert ("layers of build 1", str(len(before)), str(len(before) + 1)) in shown
    done = {row for row in what_follows(desk, number) if row[0].startswith("layers of")}
    assert done
    assert done <= set(shown)
    assert where(desk.lab, extra_id)[0] == Whereabouts.LIFTED_OFF
    with Session(desk.lab.engine) as session:
        ran = build_hours(session, [desk.lab.stack_id])
        first = session.scalars(select(Build).where(Build.number == 1)).one()
        assert part_hours(session, [extra_id])[extra_id].total.hours == ran[first.id].hours > 0
        for record_id in (desk.first, desk.second):
            working_pile(session, record_id)
            assert len(pile_known_now(session, record_id).layers) == len(
                layers_of_build(session, build_of(session, record_id))
            )
    assert desk.all_hold()


def build_of(session: Session, record_id: int) -> int:
    return session.scalars(select(Build.id).where(Build.record_id == record_id)).one()


def what_follows(desk: Desk, number: int) -> list[tuple[str, str, str]]:
    with Session(desk.lab.engine) as session:
        rows = preview(session, correction(session, number)).rows
    return [(row.what, row.before, row.after) for row in rows]


@pytest.mark.both_engines
def test_case_31_a_gasket_that_was_never_there_leaves_every_build(desk: Desk) -> None:
    fact = first_gasket(desk, OF.LAYER_TOO_MANY)
    before, then = parts(desk, 1), desk.lab.now

    desk.correct(desk.first, fact, "not there")

    part_id = fact.details.part_id
    assert parts(desk, 1) == [part for part in before if part != part_id]
    assert parts(desk, 1, known_at=then) == before
    assert where(desk.lab, part_id)[0] == Whereabouts.IN_STORE
    with Session(desk.lab.engine) as session:
        assert part_hours(session, [part_id])[part_id].in_builds == {}
        working_pile(session, desk.second)
    assert desk.all_hold()


def test_case_31_the_check_of_the_record_follows_its_corrected_layers(engine: Engine) -> None:
    """By the design's pattern, as the check on the stack's sheet does."""
    desk = a_desk(engine, has_pattern=True)

    def checks() -> list[set[str]]:
        with Session(engine) as session:
            build = layer_map(session, desk.lab.stack_id, build_number=1)
            both = pile_check(session, desk.first), check_of_build(session, build)
        return [{each.finding.sentence for each in check.judged} for check in both]

    before = checks()
    desk.correct(desk.first, first_gasket(desk, OF.LAYER_TOO_MANY), "not there")

    of_record, of_build = checks()
    assert before == [set(), set()]
    assert of_build
    assert of_build <= of_record


def test_case_31_a_carried_layer_too_many_is_followed_into_the_present(desk: Desk) -> None:
    fact = first_mea(desk, OF.LAYER_TOO_MANY)
    cells = [desk.part_at(1, 2), len(parts(desk, 2))]

    desk.correct(desk.first, fact, "not there")

    assert fact.details.part_id not in parts(desk, 1) + parts(desk, 2)
    assert [desk.part_at(1, 2), len(parts(desk, 2)) + 1] == cells
    with Session(desk.lab.engine) as session:
        shown = layer_map(session, desk.lab.stack_id, build_number=2)
    assert {layer.cell for layer in shown.layers if layer.kind is Kind.MEA} == {1}


@pytest.mark.parametrize("value", ["there", "maybe"])
def test_a_layer_is_there_or_not(desk: Desk, value: str) -> None:
    with pytest.raises(Refused, match="there or it is not"):
        desk.propose(desk.first, first_gasket(desk, OF.LAYER_TOO_MANY), value)


def test_a_layer_found_is_in_one_place_only(desk: Desk) -> None:
    fitted = desk.lab.get(Part, first_mea(desk, OF.LAYER_PART).details.part_id)
    fact = first_mea(desk, OF.LAYER_TOO_FEW)

    with pytest.raises(Refused) as refused:
        desk.propose(desk.first, fact, fitted.serial, more={"facing": "fixed end"})

    assert "one place only" in str(refused.value)


@pytest.mark.both_engines
def test_a_sleeve_too_many_and_one_too_few_at_a_rod(desk: Desk) -> None:
    extra = desk.spare("sleeve", serial="SL-77")
    rod = desk.fact(desk.first, OF.FIXING, kind=Kind.TIE_ROD, rod_number=2).details

    desk.correct(desk.first, beside_rod(desk, 2), "SL-77")
    many = desk.fact(desk.first, OF.FIXING_TOO_MANY, kind=Kind.TIE_ROD, rod_number=2)
    desk.correct(desk.first, many, "not there")

    assert extra.id in fixings(desk, 2)
    assert rod.part_id not in fixings(desk, 2)
    assert desk.all_hold()


def beside_rod(desk: Desk, rod_number: int) -> Fact:
    return desk.fact(desk.first, OF.FIXING_TOO_FEW, rod_number=rod_number)  # type: ignore[no-any-return]


def fixings(desk: Desk, rod_number: int) -> set[int]:
    with Session(desk.lab.engine) as session:
        return set(
            session.scalars(
                select(Fixing.part_id).where(
                    Fixing.rod_number == rod_number, Fixing.known_until.is_(None)
                )
            )
        )


def test_a_layer_more_is_pressed_anew_and_ends_the_release(engine: Engine) -> None:
    stack = Released(engine)
    fact = stack.fact(OF.LAYER_TOO_MANY)
    number = stack.propose(fact, "not there")
    shown = [(row.what, row.before, row.after) for row in stack.preview(number).rows]

    stack.decide(number)

    assert ENDS in shown
    assert stack.states == {"not released"}
    done = [(row.what, row.before, row.after) for row in stack.preview(number).rows]
    closing = {row for row in done if row[0].startswith("closing of record")}
    assert closing <= set(shown)
    newest, handed_in = stack.kept
    assert newest.correction_id == number
    assert handed_in.correction_id is None
