"""A fixing corrected: where the part is, its builds, hours and the closing follow."""

from typing import Any

import pytest
from sqlalchemy import Engine, select
from sqlalchemy.orm import Session

from service.bench.queries.correction_preview import preview
from service.bench.queries.corrections import correctable, correction
from service.bench.tables import CorrectionOf
from service.platform.arithmetic.vocabulary import End, Kind, Whereabouts
from service.stacks.queries.hours import build_hours
from service.stacks.queries.part_hours import part_hours
from service.stacks.tables import Build, Fixing
from service.store.tables import Part, PartType
from tests import builders
from tests.bench.at_the_bench import where
from tests.bench.corrections.test_corrections import Desk, a_desk
from tests.bench.test_entries_api import Calling
from tests.proof.test_releases_corrected import ENDS, Released

OF = CorrectionOf


@pytest.fixture
def desk(engine: Engine) -> Desk:
    return a_desk(engine)


def fixing(desk: Desk, kind: Kind, rod_number: int | None = 1, **more: Any) -> Any:
    return desk.fact(desk.first, OF.FIXING, kind=kind, rod_number=rod_number, **more)


def known_at_rod(desk: Desk, kind: Kind, rod_number: int = 1) -> list[tuple[int, int, bool]]:
    """Part, build and whether it sits there now, as known now."""
    with Session(desk.lab.engine) as session:
        rows = session.execute(
            select(Fixing.part_id, Fixing.build_id, Fixing.present)
            .where(
                Fixing.kind == kind, Fixing.rod_number == rod_number, Fixing.known_until.is_(None)
            )
            .order_by(Fixing.build_id)
        )
        return [tuple(row) for row in rows]


@pytest.mark.both_engines
def test_a_misread_tie_rod_is_followed_through_every_build_that_carried_it_on(desk: Desk) -> None:
    right = desk.spare("tie_rod", serial="R-77")
    fact = fixing(desk, Kind.TIE_ROD)
    before = known_at_rod(desk, Kind.TIE_ROD)

    number = desk.correct(desk.first, fact, "R-77")

    assert {part for part, _build, _present in before} == {fact.details.part_id}
    assert known_at_rod(desk, Kind.TIE_ROD) == [
        (right.id, build, present) for _part, build, present in before
    ]
    assert where(desk.lab, right.id)[0] == Whereabouts.FITTED
    assert where(desk.lab, fact.details.part_id)[0] == Whereabouts.IN_STORE
    with Session(desk.lab.engine) as session:
        ran = sum(each.hours for each in build_hours(session, [desk.lab.stack_id]).values())
        assert part_hours(session, [right.id])[right.id].total.hours == ran > 0
        rows = preview(session, correction(session, number)).rows
    assert ("build 1 of TARN-001, rod 1", fact.old_value, "R-77") in [
        (row.what, row.before, row.after) for row in rows
    ]
    assert desk.all_hold()


def test_two_rods_fitted_in_each_others_place_are_exchanged(desk: Desk) -> None:
    first, second = (fixing(desk, Kind.TIE_ROD, rod) for rod in (1, 2))

    desk.correct(desk.first, first, desk.lab.get(Part, second.details.part_id).serial)

    for rod, fact in ((1, second), (2, first)):
        parts = {part for part, _build, _present in known_at_rod(desk, Kind.TIE_ROD, rod)}
        assert parts == {fact.details.part_id}


def test_a_compression_plate_is_corrected_at_its_end(desk: Desk) -> None:
    plate = desk.spare("compression_plate", serial="CP-9")
    fact = fixing(desk, Kind.COMPRESSION_PLATE, None, end=End.FREE)

    desk.correct(desk.first, fact, "CP-9")

    assert fact.label == "compression plate at the free end of build 1"
    assert where(desk.lab, plate.id)[0] == Whereabouts.FITTED
    assert fixing(desk, Kind.COMPRESSION_PLATE, None, end=End.FREE).old_value == "CP-9"


def test_a_part_of_another_kind_is_no_fixing_of_that_place(desk: Desk) -> None:
    mea = desk.spare("mea", serial="M-77")

    refusal = desk.refused(desk.first, fixing(desk, Kind.TIE_ROD), mea.serial)

    assert "it is a" in str(refusal)
    assert "tie rod" in str(refusal)


def test_what_was_carried_on_is_corrected_where_it_was_fitted(desk: Desk) -> None:
    assert desk.facts(desk.first, OF.FIXING)
    assert not desk.facts(desk.second, OF.FIXING)


def a_thicker_plate(stack: Released) -> tuple[int, Any]:
    """A correction of the plate at the free end of the first build to a thicker one."""
    with Session(stack.lab.engine) as session:
        first = session.scalars(select(Build).order_by(Build.id)).first()
        assert first is not None
        fact = next(
            fact
            for fact in correctable(session, first.record_id).facts
            if fact.of is OF.FIXING and getattr(fact.details, "end", None) is End.FREE
        )
    stack.lab.rows(lambda s: _plate(s, fact.details.part_type_id))
    return stack.propose(fact, "CP-9", record_id=first.record_id), fact


def _plate(session: Session, part_type_id: int) -> None:
    kind = session.get_one(PartType, part_type_id)
    builders.a_part(session, kind, serial="CP-9").measured_thickness_mm = 31.0


def test_a_corrected_fixing_ends_the_release_and_its_closing_takes_the_right_part(
    engine: Engine,
) -> None:
    stack = Released(engine)
    number, _fact = a_thicker_plate(stack)
    shown = stack.preview(number)
    before = [row for row in shown.rows if row.what.startswith("closing of record")]
    assert stack.states == {"released"}

    stack.decide(number)

    assert ENDS in [(row.what, row.before, row.after) for row in shown.rows]
    assert stack.states == {"not released"}
    newest, handed_in = stack.kept
    plates = [
        [each.thickness_mm for each in kept.inputs.pile.measured_plates if kept.inputs]
        for kept in (handed_in, newest)
    ]
    assert plates == [[], [31.0]]
    assert newest.correction_id == number
    done = [row for row in stack.preview(number).rows if row.what.startswith("closing of record")]
    assert [row for row in before if row.before != row.after] == done


def test_a_machine_corrects_a_fixing(app: Any, calling: Calling) -> None:
    stack = Released(app.state.engine)
    number, fact = a_thicker_plate(stack)

    answer = calling("builder").get(f"/api/v1/corrections/{number}").json()

    assert (answer["of"], answer["was"], answer["is"]) == ("fixing", fact.old_value, "CP-9")
    assert "release of build 2 of TARN-001" in [row["what"] for row in answer["follows"]]
