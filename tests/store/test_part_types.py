"""Part types and lots: what a part is, and what came together."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from functools import partial

import pytest
from sqlalchemy import Engine
from sqlalchemy.orm import Session

from service.physics.arithmetic.part_stiffness import Bed
from service.platform.arithmetic.material_curves import Densifying, Soft
from service.platform.arithmetic.vocabulary import Back, Joint, Kind, Material, Side, Whereabouts
from service.platform.errors import NotAllowed, NotFound, Refused
from service.store.changes.lots import LotEntry, add_lot, change_lot, months_after, take_item
from service.store.changes.part_types import (
    PartTypeEntry,
    change_part_type,
    make_part_type,
    propose_stiffness,
)
from service.store.queries.lots import LotFilter, lot, lots
from service.store.queries.part_types import part_type, part_types
from service.store.tables import Part
from tests import builders
from tests.operation.keeping import NOW, Lab, a_lab
from tests.proposing import put_in_force
from tests.turning import turned

MEA = PartTypeEntry(Kind.MEA, "MEA 50", "TF-50", "A", Material.MEMBRANE, thickness_mm=0.4)
GASKET = PartTypeEntry(
    Kind.GASKET, "bead 50", "TF-51", "A", Material.ELASTOMER, thickness_mm=0.5, joint=Joint.GAS,
    counted=True, renew_at_opening=True, shelf_life_months=60,
)  # fmt: skip
PLATE = PartTypeEntry(
    Kind.HALF_PLATE, "plate 50", "TF-52", "A", Material.GRAPHITE, thickness_mm=3, side=Side.FUEL,
    back=Back.FLUSH, marked_face="gas side",
)  # fmt: skip
BED = Bed(Soft(Densifying(3e6, 0.55), 0.25, 2.0, 0.08), 0.45)
DAY = timedelta(days=1)


@pytest.fixture
def lab(engine: Engine) -> Lab:
    return a_lab(engine)


def made(lab: Lab, entry: PartTypeEntry) -> int:
    with lab.work(lab.builder) as work:
        return make_part_type(work, entry)


@pytest.mark.parametrize(
    ("entry", "field"),
    [
        (replace(MEA, name=""), "name"),
        (replace(MEA, drawing_number=" "), "drawing_number"),
        (replace(MEA, revision=""), "revision"),
        (replace(MEA, thickness_mm=None), "thickness_mm"),
        (replace(MEA, thickness_mm=0), "thickness_mm"),
        (replace(MEA, counted=True), "counted"),
        (replace(MEA, openings_most=-1), "openings_most"),
        (replace(MEA, hours_most=0), "hours_most"),
        (replace(PLATE, side=None), "side"),
        (replace(GASKET, joint=None), "joint"),
        (replace(GASKET, shelf_life_months=0), "shelf_life_months"),
    ],
)
def test_a_part_type_that_cannot_be_is_refused_at_its_field(
    lab: Lab, entry: PartTypeEntry, field: str
) -> None:
    with pytest.raises(Refused) as refused:
        made(lab, entry)

    assert refused.value.field == field
    assert refused.value.right_would_be


def test_a_face_a_kind_does_not_have_is_left_out(lab: Lab) -> None:
    key = made(lab, replace(MEA, side=Side.AIR, back=Back.FLUSH, joint=Joint.GAS))

    with Session(lab.engine) as session:
        facts = part_type(session, key).facts
    assert (facts.side, facts.back, facts.joint) == (None, Back.NONE, None)


def test_a_drawing_has_each_revision_once(lab: Lab) -> None:
    first = made(lab, MEA)
    with pytest.raises(Refused, match="this revision already"):
        made(lab, replace(MEA, drawing_number="tf-50", revision="a"))
    second = made(lab, replace(MEA, revision="B"))

    with Session(lab.engine) as session:
        assert part_type(session, first).revisions == ((second, "B"),)


@pytest.mark.both_engines
def test_what_a_type_is_stays_once_a_part_of_it_exists_limits_may_change(lab: Lab) -> None:
    key = made(lab, MEA)
    with lab.work() as work:
        change_part_type(work, key, replace(MEA, thickness_mm=0.45), reason="measured")
    with lab.work() as work:
        add_lot(work, part_type_id=key, entry=LotEntry("L-1"))

    with pytest.raises(Refused, match="A new revision") as refused, lab.work() as work:
        change_part_type(work, key, replace(MEA, thickness_mm=0.5), reason="measured")
    assert refused.value.field == "thickness_mm"
    with lab.work() as work:
        limits = replace(MEA, thickness_mm=0.45, name="MEA 50 cm²", hours_most=5000)
        change_part_type(work, key, limits, reason="after the last run")
    with Session(lab.engine) as session:
        facts = part_type(session, key).facts
        assert (facts.name, facts.hours_most) == ("MEA 50 cm²", 5000)
        assert part_type(session, key).lots == 1
        assert key in {one.id for one in part_types(session, Kind.MEA)}
    with pytest.raises(NotFound), lab.work() as work:
        change_part_type(work, 999, MEA, reason="x")


def test_who_is_only_admin_keeps_no_parts(lab: Lab) -> None:
    with pytest.raises(NotAllowed), lab.work(lab.admin) as work:
        make_part_type(work, MEA)


def test_a_lot_expires_by_the_shelf_life_of_its_type_unless_said_otherwise(lab: Lab) -> None:
    key = made(lab, GASKET)
    made_on = datetime(2026, 1, 31, 11, tzinfo=UTC)
    with lab.work() as work:
        one = add_lot(work, part_type_id=key, entry=LotEntry("G-1", produced_at=made_on))
        two = LotEntry("G-2", produced_at=made_on, expires_at=made_on + DAY)
        two_id = add_lot(work, part_type_id=key, entry=two)

    with Session(lab.engine) as session:
        expires = lot(session, one).facts.expires_at
        assert expires == datetime(2031, 1, 31, 11, tzinfo=UTC)
        assert lot(session, one).facts.is_expired(expires + DAY)
        assert not lot(session, one).facts.is_expired(expires + timedelta(hours=1))
        assert lot(session, two_id).facts.expires_at == made_on + DAY


@pytest.mark.parametrize(
    ("day", "months", "then"),
    [
        ((2026, 1, 31), 1, (2026, 2, 28)),
        ((2024, 1, 31), 1, (2024, 2, 29)),
        ((2026, 12, 5), 1, (2027, 1, 5)),
        ((2026, 3, 31), 6, (2026, 9, 30)),
        ((2026, 3, 7), 24, (2028, 3, 7)),
    ],
)
def test_months_run_by_the_calendar(
    day: tuple[int, int, int], months: int, then: tuple[int, int, int]
) -> None:
    assert months_after(datetime(*day, tzinfo=UTC), months) == datetime(*then, tzinfo=UTC)


@pytest.mark.parametrize(
    ("entry", "field"),
    [
        (LotEntry(" "), "label"),
        (LotEntry("g-1 "), "label"),
        (LotEntry("G-2", quantity=-1), "quantity"),
        (LotEntry("G-2", received_at=NOW + DAY), "received_at"),
        (LotEntry("G-2", produced_at=NOW, received_at=NOW - DAY), "received_at"),
        (LotEntry("G-2", produced_at=NOW, expires_at=NOW - DAY), "expires_at"),
    ],
)
def test_a_lot_that_cannot_be_is_refused_at_its_field(
    lab: Lab, entry: LotEntry, field: str
) -> None:
    key = made(lab, GASKET)
    with lab.work() as work:
        add_lot(work, part_type_id=key, entry=LotEntry("G-1"))

    with pytest.raises(Refused) as refused, lab.work() as work:
        add_lot(work, part_type_id=key, entry=entry)

    assert refused.value.field == field


def test_counted_items_are_numbered_in_their_lot_and_end_with_its_quantity(lab: Lab) -> None:
    key, mea = made(lab, GASKET), made(lab, MEA)
    with lab.work() as work:
        lot_id = add_lot(work, part_type_id=key, entry=LotEntry("G-1", quantity=2))
        other = add_lot(work, part_type_id=mea, entry=LotEntry("M-1"))

    with lab.work() as work:
        items = [take_item(work, lot_id).item_number for _ in range(2)]
        work.note(*_a_note())
    assert items == [1, 2]
    with pytest.raises(Refused, match="all its 2 items"), lab.work() as work:
        take_item(work, lot_id)
    with pytest.raises(Refused, match="serial numbers of their own"), lab.work() as work:
        take_item(work, other)
    with pytest.raises(Refused, match="2 items were taken"), lab.work() as work:
        change_lot(work, lot_id, LotEntry("G-1", quantity=1), reason="counted again")
    with pytest.raises(Refused, match="records name it"), lab.work() as work:
        change_lot(work, lot_id, LotEntry("G-9", quantity=2), reason="misread")
    with lab.work() as work:
        change_lot(work, lot_id, LotEntry("G-1", "Beck Ltd", quantity=5), reason="counted again")
    with Session(lab.engine) as session:
        seen = lot(session, lot_id)
        assert (seen.facts.supplier, seen.parts, seen.not_taken) == ("Beck Ltd", 2, 3)


def test_what_a_type_gives_is_kept_whether_it_is_in_use_or_not(lab: Lab) -> None:
    """By quality, with the reason; the trail names what changed, label by label."""
    key = made(lab, MEA)
    with lab.work() as work:
        add_lot(work, part_type_id=key, entry=LotEntry("L-1"))

    with lab.work() as work:
        proposed = propose_stiffness(work, key, BED, reason="test report 7, invented")
    with Session(lab.engine) as session:
        assert part_type(session, key).facts.gives is None
    put_in_force(lab.engine, proposed)

    with Session(lab.engine) as session:
        facts = part_type(session, key).facts
        assert facts.gives == BED
        assert facts.free_mm == 0.45
    entry = lab.last_entry()
    assert (entry.act, entry.reason) == ("part type:changed", "test report 7, invented")
    assert '["Free thickness over the active area", null, "0.45"]' in entry.changes
    with lab.work() as work:
        proposed = propose_stiffness(work, key, None, reason="another paper")
    put_in_force(lab.engine, proposed)
    with Session(lab.engine) as session:
        assert part_type(session, key).facts.gives is None
        assert part_type(session, key).facts.free_mm == 0.4


def test_stiffness_that_cannot_be_of_the_type_is_refused(lab: Lab) -> None:
    key, plate = made(lab, MEA), made(lab, PLATE)

    with pytest.raises(Refused, match="nothing differs"), lab.work() as work:
        propose_stiffness(work, key, None, reason="why")
    with pytest.raises(Refused) as refused, lab.work() as work:
        propose_stiffness(work, plate, BED, reason="why")
    assert (refused.value.field, refused.value.value) == ("stiffness", "half plate")
    with pytest.raises(Refused), lab.work() as work:
        propose_stiffness(work, key, BED, reason=" ")
    with pytest.raises(NotAllowed), lab.work(lab.builder) as work:
        propose_stiffness(work, key, BED, reason="why")
    with pytest.raises(NotFound), lab.work() as work:
        propose_stiffness(work, 999, BED, reason="why")


def _a_note() -> tuple[object, ...]:
    from service.platform.audit import Event

    return Event.PART_ADDED, ("lot", None, "G-1"), ()


@pytest.mark.both_engines
def test_lots_are_listed_by_type_label_and_hold_and_page_by_keyset(lab: Lab) -> None:
    gasket, mea = made(lab, GASKET), made(lab, MEA)
    with lab.work() as work:
        for label in ("G-1", "G-2", "H-1"):
            add_lot(work, part_type_id=gasket, entry=LotEntry(label))
        add_lot(work, part_type_id=mea, entry=LotEntry("G-1"))

    with Session(lab.engine) as session:

        def labels(wanted: LotFilter) -> list[str]:
            return [row.label for row in lots(session, wanted).rows]

        assert labels(LotFilter(part_type_id=gasket)) == ["H-1", "G-2", "G-1"]
        assert labels(LotFilter(begins_with="g")) == ["G-1", "G-2", "G-1"]
        assert labels(LotFilter(held=True)) == []
        there, back = turned(partial(lots, session, LotFilter()), 3)
        assert [row.label for row in there] == labels(LotFilter())
        assert back == there


def test_a_lots_page_says_in_which_stacks_its_parts_sit(lab: Lab) -> None:
    def make(session: Session) -> int:
        kind = builders.the_part_types(session).mea
        found = builders.a_lot(session, kind)
        stack = builders.a_stack(session, serial="TARN-1")
        builders.a_part(session, kind, lot=found, stack=stack)
        builders.a_part(session, kind, lot=found, whereabouts=Whereabouts.SCRAPPED)
        return found.id

    lot_id = lab.rows(make)
    with Session(lab.engine) as session:
        seen = lot(session, lot_id)
        assert [(one.stack_serial, one.parts) for one in seen.stacks] == [("TARN-1", 1)]
        assert {one.whereabouts for one in seen.where} == {"fitted", "scrapped"}
        assert session.query(Part).count() == 2
