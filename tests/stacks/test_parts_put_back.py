"""Parts of a pair and gaskets put back: what goes on of a life, and what ends."""

from collections.abc import Iterator

from sqlalchemy import Engine, select
from sqlalchemy.orm import Session

from service.bench.changes.layers import put_on
from service.platform.arithmetic.vocabulary import End, Facing, Kind
from service.platform.database import reading
from service.proof.queries.build_verdicts import verdict_lines, verdicts_of_build
from service.records.queries.pile_checks import known_parts
from service.records.tables import RebuildRecord
from service.stacks.queries.part_lives import part_life
from service.stacks.tables import Build, Layer, Stack
from service.store.tables import Part, PartType
from tests import builders
from tests.bench.at_the_bench import a_lab
from tests.proof.stack_testing import a_closed_stack

AIR_HALF, FUEL_HALF = 8, 10
"""The halves of the plate between the two cells, coolant gasket between them."""


def laid_now(session: Session, build: Build) -> Iterator[tuple[Part, Facing]]:
    """The pile of a build, gaskets new."""
    layers = select(Layer).where(Layer.build_id == build.id).order_by(Layer.position)
    for layer in session.scalars(layers):
        part = session.get_one(Part, layer.part_id)
        part_type = session.get_one(PartType, part.part_type_id)
        is_renewed = part_type.kind is Kind.GASKET
        yield (builders.a_part(session, part_type) if is_renewed else part), layer.facing


def test_case_03_a_half_plate_is_replaced_and_its_twin_kept(engine: Engine) -> None:
    tested = a_closed_stack(engine)
    tested.all()
    with Session(engine) as session:
        stack = session.get_one(Stack, tested.lab.stack_id)
        record = session.get_one(RebuildRecord, tested.bench.number)
        builders.hand_in(session, record, tested.lab.now)
        first = session.scalars(select(Build)).one()
        laid = list(laid_now(session, first))
        replaced, twin = laid[AIR_HALF - 1][0], laid[FUEL_HALF - 1][0]
        kinds = [session.get_one(PartType, x.part_type_id).side for x in (replaced, twin)]
        assert [str(side) for side in kinds] == ["air", "fuel"]
        fresh = builders.a_part(session, session.get_one(PartType, replaced.part_type_id))
        laid[AIR_HALF - 1] = (fresh, laid[AIR_HALF - 1][1])
        second = builders.a_build(session, stack, cells=2, laid=laid, closed_at=tested.lab.now)

        sat = {
            name: [
                (seat.build_number, seat.position) for seat in part_life(session, part.id).sittings
            ]
            for name, part in (("replaced", replaced), ("twin", twin), ("fresh", fresh))
        }
        verdicts = {
            build.number: {
                line.what: line.verdict
                for line in verdict_lines(verdicts_of_build(session, build.id))
            }
            for build in (first, second)
        }

    assert sat == {
        "replaced": [(1, AIR_HALF)],
        "twin": [(1, FUEL_HALF), (2, FUEL_HALF)],
        "fresh": [(2, AIR_HALF)],
    }
    assert {str(verdict) for verdict in verdicts[1].values()} == {"pass"}
    assert set(verdicts[2].values()) == {None}


def test_case_22_a_gasket_is_put_back_turned_in_another_groove(engine: Engine) -> None:
    """Its face is recorded where the type has one to tell of, and the reuse is counted."""
    lab = a_lab(engine)

    def mark(session: Session) -> None:
        gasket = builders.the_part_types(session).gas_gasket
        gasket.marked_face, gasket.openings_most = "bead", 4

    lab.rows(mark)
    record = lab.begin()
    record.open()
    while (outermost := record.pile.pile.outermost(End.FREE)) and outermost.kind is not Kind.MEA:
        record.lift()
    record.lift(count=2)
    gasket, mea = record.pile.lifted[-1].layer, record.pile.lifted[-2].layer
    assert (gasket.kind, gasket.position) == (Kind.GASKET, mea.position - 1)

    fresh = lab.rows(lambda s: builders.a_part(s, builders.the_part_types(s).gas_gasket).id)
    record.do(put_on, end=End.FREE, part_id=fresh, facing=Facing.FREE_END)
    record.do(put_on, end=End.FREE, part_id=mea.part)
    record.do(put_on, end=End.FREE, part_id=gasket.part, facing=Facing.FIXED_END)

    lies = record.pile.layers[-1]
    assert (lies.part, lies.position, lies.facing) == (
        gasket.part,
        gasket.position + 2,
        Facing.FIXED_END,
    )
    with reading(engine) as session:
        facts = known_parts(
            session, record.number, [gasket.part, fresh], stack_id=lab.stack_id, until=None
        )
    assert (facts[gasket.part].was_fitted_before, facts[gasket.part].openings) == (True, 1)
    assert (facts[fresh].was_fitted_before, facts[fresh].openings) == (False, 0)
