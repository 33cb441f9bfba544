"""How long parts may be used: expiry, opened bags, extensions, and fitted without having run."""

from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

import pytest
from sqlalchemy import Engine, select
from sqlalchemy.orm import Session

from service.bench.changes.layers import put_on
from service.bench.queries.choices import lots_at_hand
from service.people.tables import Role
from service.platform.arithmetic.vocabulary import LAYER_KINDS, End, Kind
from service.platform.database import now_utc, reading
from service.platform.errors import NotAllowed, Refused
from service.records.queries.pile_checks import known_parts
from service.store.changes.holds import Subject, give_concession
from service.store.changes.shelf_lives import (
    Bag,
    ExtensionEntry,
    OpenedEntry,
    open_bag,
    propose_extension,
)
from service.store.queries.forbids import forbids_of_lots, forbids_of_parts
from service.store.queries.lots import lot
from service.store.queries.proposals import proposals_of
from service.store.queries.shelf_lives import have_run
from service.store.tables import ChangeKind, Lot, Part
from tests import builders
from tests.bench.at_the_bench import Bench, Lab, a_lab, known
from tests.proposing import put_in_force

DAY = timedelta(days=1)
LOOKED = "edge seals and catalyst face of two"


@dataclass
class Shelf:
    """A lot of MEAs that may be used for 30 days, for 3 once its bag is opened."""

    lab: Lab
    lot_id: int
    part_id: int
    quality: Any

    @property
    def began(self) -> datetime:
        return self.lab.now

    def reasons(self, days: float) -> list[str]:
        """What the rule says of the part so many days on; of the lot it says the same."""
        on = self.began + days * DAY
        with reading(self.lab.engine) as session:
            of_part = forbids_of_parts(session, [self.part_id], on=on)[self.part_id]
            of_lot = forbids_of_lots(session, [self.lot_id], on=on)[self.lot_id]
        assert bool(of_lot) == bool(of_part)
        return [forbid.sentence for forbid in of_part]

    def extend(self, days: float, bag: Bag | None = None) -> int:
        entry = ExtensionEntry(self.began + days * DAY, LOOKED)
        proposal: int = self.lab.do(
            propose_extension,
            bag or Bag(lot_id=self.lot_id),
            entry,
            reason="none shows bloom",
            by=self.quality,
        )
        return proposal


@pytest.fixture
def shelf(engine: Engine) -> Shelf:
    lab = a_lab(engine)

    def make(session: Session) -> tuple[int, int, Any]:
        mea = builders.the_part_types(session).mea
        mea.open_life_days = 3
        of_meas = builders.a_lot(session, mea, label="M-9")
        of_meas.expires_at = lab.now + 30 * DAY
        part = builders.a_part(session, mea, serial="N-9", lot=of_meas)
        person = known(session, builders.a_person(session, Role.QUALITY))
        return of_meas.id, part.id, person

    return Shelf(lab, *lab.rows(make))


@pytest.mark.both_engines
def test_an_opened_bag_ends_the_shelf_life_if_that_is_earlier(shelf: Shelf) -> None:
    assert (shelf.reasons(29), len(shelf.reasons(32))) == ([], 1)

    shelf.lab.do(open_bag, Bag(lot_id=shelf.lot_id), OpenedEntry(shelf.began))

    assert shelf.reasons(2.5) == []
    (why,) = shelf.reasons(5)
    opened = f"{shelf.began:%Y-%m-%d}"
    assert why.endswith(f"its bag was opened on {opened}.")
    with reading(shelf.lab.engine) as session:
        facts = lot(session, shelf.lot_id).facts
    assert facts.bag_opened_by == shelf.lab.builder.name
    assert facts.is_expired(shelf.began + 5 * DAY)


def test_a_bag_opened_late_is_good_until_the_lot_expires(shelf: Shelf) -> None:
    shelf.lab.rows(lambda s: setattr(s.get_one(Lot, shelf.lot_id), "expires_at", shelf.began + DAY))

    shelf.lab.do(open_bag, Bag(lot_id=shelf.lot_id), OpenedEntry(shelf.began))

    (why,) = shelf.reasons(2.5)
    assert why.startswith("Lot M-9 expired on")


def test_the_bag_of_one_part_leaves_its_lot_alone(shelf: Shelf) -> None:
    shelf.lab.do(open_bag, Bag(part_id=shelf.part_id), OpenedEntry(shelf.began))
    on = shelf.began + 5 * DAY

    with reading(shelf.lab.engine) as session:
        assert forbids_of_parts(session, [shelf.part_id], on=on)[shelf.part_id]
        assert not forbids_of_lots(session, [shelf.lot_id], on=on)[shelf.lot_id]


def test_a_bag_entered_again_needs_the_reason(shelf: Shelf) -> None:
    bag = Bag(lot_id=shelf.lot_id)
    shelf.lab.do(open_bag, bag, OpenedEntry(shelf.began))
    earlier = OpenedEntry(shelf.began - 2 * DAY)

    with pytest.raises(Refused, match="the bag is noted as opened on"):
        shelf.lab.do(open_bag, bag, earlier)
    with pytest.raises(Refused, match="bag_opened_at"):
        shelf.lab.do(open_bag, bag, OpenedEntry(shelf.began + 2 * DAY), reason="by hand")

    shelf.lab.do(open_bag, bag, earlier, reason="opened on the day before the weekend")
    assert len(shelf.reasons(2.5)) == 1


@pytest.mark.both_engines
def test_an_extension_counts_once_somebody_else_approved_it(shelf: Shelf) -> None:
    shelf.lab.do(open_bag, Bag(lot_id=shelf.lot_id), OpenedEntry(shelf.began - DAY))
    proposal_id = shelf.extend(60)
    assert len(shelf.reasons(40)) == 1
    with reading(shelf.lab.engine) as session:
        (proposed,) = proposals_of(session, ChangeKind.LOT_SHELF_LIFE, shelf.lot_id)
    assert ("looked at", None, LOOKED) in proposed.changes
    assert proposed.about == f"/lots/{shelf.lot_id}"

    put_in_force(shelf.lab.engine, proposal_id, now=shelf.lab.now)

    assert shelf.reasons(59) == []
    (why,) = shelf.reasons(62)
    assert why.startswith("Its shelf life was extended after inspection, and ended on")


def test_another_bag_opened_after_an_extension_ends_it(shelf: Shelf) -> None:
    put_in_force(shelf.lab.engine, shelf.extend(60), now=shelf.lab.now)
    shelf.lab.now += 10 * DAY

    shelf.lab.do(open_bag, Bag(lot_id=shelf.lot_id), OpenedEntry(shelf.lab.now))

    assert (shelf.reasons(2.5), len(shelf.reasons(5))) == ([], 1)


def test_only_a_longer_shelf_life_is_an_extension_and_a_builder_gives_none(shelf: Shelf) -> None:
    with pytest.raises(Refused, match="that is no longer shelf life"):
        shelf.extend(20)
    unlimited = shelf.lab.rows(
        lambda s: builders.a_lot(s, builders.the_part_types(s).mea, label="M-10").id
    )
    with pytest.raises(Refused, match="it may be used without limit"):
        shelf.extend(60, Bag(lot_id=unlimited))
    entry = ExtensionEntry(shelf.began + 60 * DAY, LOOKED)
    with pytest.raises(NotAllowed):
        shelf.lab.do(propose_extension, Bag(lot_id=shelf.lot_id), entry, reason="looks well")


def test_a_lot_whose_bag_is_open_too_long_is_neither_offered_nor_put_on(engine: Engine) -> None:
    bench = opened_bench(engine)

    def make(session: Session) -> int:
        gasket = builders.the_part_types(session).gas_gasket
        gasket.open_life_days = 2
        return builders.a_lot(session, gasket, label="G-7", quantity=5).id

    lot_id = bench.lab.rows(make)
    assert lot_id in offered(bench)
    bench.lab.do(open_bag, Bag(lot_id=lot_id), OpenedEntry(bench.lab.now - 9 * DAY))

    assert lot_id not in offered(bench)
    with pytest.raises(Refused, match="its bag was opened on"):
        bench.do(put_on, end=End.FREE, lot_id=lot_id)


def offered(bench: Bench) -> set[int]:
    with reading(bench.lab.engine) as session:
        return {each.id for each in lots_at_hand(session, bench.number, LAYER_KINDS, bench.lab.now)}


def opened_bench(engine: Engine, hours: float = 120.0) -> Bench:
    """A stack open down to an MEA."""
    bench = a_lab(engine).begin()
    bench.open(hours)
    while (layer := bench.pile.pile.outermost(End.FREE)) and layer.kind is not Kind.MEA:
        bench.lift()
    return bench


# Fitted, taken out, and put on again.


@pytest.mark.both_engines
@pytest.mark.parametrize("hours", [100.0, 120.0], ids=["never ran", "ran 20 h"])
def test_what_was_fitted_and_never_ran_keeps_its_shelf_clock(engine: Engine, hours: float) -> None:
    """The meter showed 100 h when the stack was built."""
    bench = opened_bench(engine, hours)
    lab = bench.lab
    layer = bench.pile.pile.outermost(End.FREE)
    assert layer is not None

    def age(session: Session) -> None:
        old = builders.a_lot(session, builders.the_part_types(session).mea, label="M-8")
        old.expires_at = lab.now - 30 * DAY
        session.get_one(Part, layer.part).lot_id = old.id

    lab.rows(age)
    bench.lift()

    again = {"end": End.FREE, "part_id": layer.part, "facing": "free end"}
    if hours > 100:
        bench.do(put_on, **again)
    else:
        with pytest.raises(Refused, match="Lot M-8 expired on"):
            bench.do(put_on, **again)
        concede = Subject(part_id=layer.part)
        quality = lab.rows(lambda s: known(s, builders.a_person(s, Role.QUALITY)))
        lab.do(give_concession, concede, reason="looked at, for one build", by=quality)
        bench.do(put_on, **again)
    with reading(engine) as session:
        facts = known_parts(session, bench.number, [layer.part], stack_id=lab.stack_id, until=None)
    assert (facts[layer.part].usable_until is None) == (hours > 100)


@pytest.mark.both_engines
def test_of_two_stacks_only_parts_of_the_one_that_ran_have_run(engine: Engine) -> None:
    """The other was meanwhile built anew, its meter where it stood."""
    later = builders.FIRST_CLOSING + 60 * DAY
    with Session(engine) as session:
        ran, stood = (builders.a_stack(session, cells=1, meter_hours=100.0) for _ in range(2))
        builders.a_build(session, stood, hours=100.0)
        builders.an_hour_reading(session, ran, 120.0, later)
        builders.an_hour_reading(session, stood, 100.0, later)
        parts = {
            stack.id: set(session.scalars(select(Part.id).where(Part.stack_id == stack.id)))
            for stack in (ran, stood)
        }

        assert have_run(session, parts[ran.id] | parts[stood.id]) == parts[ran.id]


# By page and by machine.


@pytest.fixture
def of_type(app: Any) -> tuple[int, int]:
    """A lot with a limit and a part of it."""
    with Session(app.state.engine) as session:
        mea = builders.the_part_types(session).mea
        mea.open_life_days = 3
        of_meas = builders.a_lot(session, mea, label="M-9")
        of_meas.expires_at = now_utc() + 30 * DAY
        part = builders.a_part(session, mea, serial="N-9", lot=of_meas)
        session.commit()
        return of_meas.id, part.id


def test_bag_and_extension_are_typed_on_the_page(
    signed_in_client: Any, of_type: tuple[int, int]
) -> None:
    client = signed_in_client("quality")
    for at in (f"/lots/{of_type[0]}", f"/parts/{of_type[1]}"):
        assert f'href="{at}/shelf-life"' in client.get(at).text
        page = client.get(f"{at}/shelf-life").text
        assert "Bag opened" in page
        assert "Longer after inspection" in page

        opened = f"{now_utc() - DAY:%Y-%m-%d %H:%M}"
        kept = client.post(f"{at}/shelf-life/bag", data={"bag_opened_at": opened})
        assert kept.headers["location"] == at
        assert "Bag opened" in client.get(at).text

        asked = {"extended_to": "soon", "looked_at": LOOKED, "why": "none shows bloom"}
        wrong = client.post(f"{at}/shelf-life/extension", data=asked)
        assert wrong.status_code == 422
        assert "soon" in wrong.text
        assert LOOKED in wrong.text
        asked["extended_to"] = f"{now_utc() + 60 * DAY:%Y-%m-%d}"
        proposed = client.post(f"{at}/shelf-life/extension", data=asked)
        number = int(proposed.headers["location"].removeprefix("/proposals/"))
        assert LOOKED in client.get(f"/proposals/{number}").text
        put_in_force(client.app.state.engine, number)
        assert "after inspection" in client.get(at).text


def test_bag_and_extension_by_machine(calling: Any, of_type: tuple[int, int]) -> None:
    for at in (f"/api/v1/lots/{of_type[0]}", f"/api/v1/parts/{of_type[1]}"):
        opened = {"bag_opened_at": (now_utc() - DAY).isoformat()}
        assert calling("builder").post(f"{at}/bag-openings", json=opened).status_code == 201
        again = calling("builder").post(f"{at}/bag-openings", json=opened)
        assert again.status_code == 422, again.text
        asked = {
            "extended_to": (now_utc() + 60 * DAY).isoformat(),
            "looked_at": LOOKED,
            "reason": "none shows bloom",
        }
        url = f"{at}/shelf-life-extensions"
        assert calling("builder").post(url, json=asked).status_code == 403
        assert calling("quality").post(url, json=asked).status_code == 201
