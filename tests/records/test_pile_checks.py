"""The check of a pile by its design's pattern: what it finds, and what may be handed in anyway."""

from collections.abc import Callable
from contextlib import AbstractContextManager
from dataclasses import replace
from datetime import timedelta

import pytest
from sqlalchemy import Engine, select, update
from sqlalchemy.orm import Session

from service.bench.changes.bench import accept_departure, undo_last
from service.bench.changes.handing_in import hand_in
from service.bench.changes.layers import put_on
from service.bench.queries.approvals import may_decide
from service.designs.arithmetic.grammar_findings import Severity, Wrong
from service.designs.arithmetic.pattern_toml import read_pattern, write_pattern
from service.designs.arithmetic.pile import Layer
from service.designs.tables import Design
from service.people.tables import Role
from service.platform.arithmetic.vocabulary import End, Facing, Kind, Usability
from service.platform.errors import NotAllowed, NotFound, Refused, RefusedTogether
from service.platform.permissions import Person
from service.records.changes.bench_fixings import remove_fixing
from service.records.changes.bench_opening import close_stack
from service.records.queries.content import record_content, verify
from service.records.queries.entries import entries_of
from service.records.queries.pile_checks import PileCheck, check_of_build, pile_check
from service.records.tables import RecordKind, StepKind
from service.stacks.queries.layer_maps import layer_map
from service.stacks.tables import Fixing, Stack
from service.store.changes.holds import Subject, give_concession, lift_hold, place_hold
from service.store.tables import Lot, Part, PartType
from tests import builders
from tests.bench.at_the_bench import NOW, Bench, Lab, a_lab, known, what_is_missing

BLOCKS, CONCESSION, REMARK = Severity.BLOCKS, Severity.CONCESSION, Severity.REMARK
Statements = Callable[[], AbstractContextManager[list[str]]]


@pytest.fixture
def lab(engine: Engine) -> Lab:
    return a_lab(engine, cells=3, has_pattern=True)


def checked(lab: Lab, record_id: int) -> PileCheck:
    with Session(lab.engine) as session:
        return pile_check(session, record_id)


def found(lab: Lab, record_id: int) -> list[tuple[Wrong, Severity]]:
    return [(one.finding.wrong, one.severity) for one in checked(lab, record_id).judged]


def missing(lab: Lab, record_id: int) -> dict[str, str]:
    """Severity by sentence of what the check says in the list of everything missing."""
    with Session(lab.engine) as session:
        listed = what_is_missing(session, record_id)
    return {one.sentence: one.severity for one in listed if one.anchor == "check"}


def somebody(lab: Lab, role: Role) -> Person:
    return lab.rows(lambda s: known(s, builders.a_person(s, role)))  # type: ignore[no-any-return]


def opened(lab: Lab, count: int) -> tuple[Bench, list[Layer]]:
    """A record in which so many layers were lifted off the free end; they as they lay."""
    record = lab.begin()
    record.open()
    layers = list(record.pile.layers)
    record.lift(count=count)
    return record, layers[-count:]


def renewed(lab: Lab, layer: Layer) -> int:
    """A new gasket of the same lot."""

    def take(session: Session) -> int:
        old = session.get_one(Part, layer.part)
        lot = session.get_one(Lot, old.lot_id)
        return builders.a_part(session, session.get_one(PartType, old.part_type_id), lot=lot).id

    return lab.rows(take)  # type: ignore[no-any-return]


def put(record: Bench, layers: list[Layer], **instead: int) -> None:
    """Put layers back, gaskets new; ``instead`` names a part to come for a position (p5=…)."""
    for layer in layers:
        part = instead.get(f"p{layer.position}") or (
            renewed(record.lab, layer) if layer.kind is Kind.GASKET else layer.part
        )
        facing = None if layer.facing is Facing.EITHER else layer.facing
        record.do(put_on, end=End.FREE, part_id=part, facing=facing)


def closed(record: Bench) -> Bench:
    record.do(close_stack, closed_at=NOW)
    return record


def rebuilt(lab: Lab, count: int = 3, **instead: int) -> Bench:
    """A stack opened at the free end, restacked and closed."""
    record, layers = opened(lab, count)
    put(record, layers, **instead)
    return closed(record)


def change_design(lab: Lab, **values: object) -> None:
    """Say something else of the lab's design, straight in the table: it is as it were another."""

    def change(session: Session) -> None:
        session.execute(update(Stack).values(design_id=_like_it(session, values)))

    lab.rows(change)


def _like_it(session: Session, values: dict[str, object]) -> int:
    old = session.scalars(select(Design).order_by(Design.id.desc())).first()
    assert old is not None
    new = builders.a_design(session, pattern=read_pattern(old.pattern or ""))
    for name, value in values.items():
        setattr(new, name, value)
    session.flush()
    return new.id


def the_pattern_with(lab: Lab, **changed: object) -> str:
    """The lab's pattern with other words about its MEA."""
    with Session(lab.engine) as session:
        pattern = builders.the_pattern(session, **changed)
    return write_pattern(pattern)


def test_a_pile_as_designed_is_found_clean(lab: Lab) -> None:
    """Its cells follow from the layers; nothing is missing."""
    check = checked(lab, 1)

    assert (check.cells, check.judged, len(check.layers)) == (3, (), 23)
    assert missing(lab, 1) == {}
    with Session(lab.engine) as session, pytest.raises(NotFound):
        pile_check(session, 99)


def test_a_design_without_a_pattern_is_not_checked(engine: Engine) -> None:
    """And everything is as it was before patterns were kept."""
    lab = a_lab(engine)
    record = rebuilt(lab)

    check = checked(lab, record.number)

    assert not check.is_made
    assert (check.layers, check.judged) == ((), ())
    record.do(hand_in)


def test_a_forgotten_gasket_keeps_the_record_from_being_handed_in(lab: Lab) -> None:
    """Named once, at its place, with what would mend it; the next layers are not out of step."""
    record, layers = opened(lab, 8)
    put(record, [layer for layer in layers if layer.position != 17])
    closed(record)

    said = missing(lab, record.number)

    assert said == {
        "Cell gasket missing between layers 16 and 17 (cell 3, anode side)."
        " Open the pile there and put the cell gasket in.": "blocks"
    }
    with pytest.raises(Refused, match="Cell gasket missing"):
        record.do(hand_in)


def test_put_right_it_is_handed_in(lab: Lab) -> None:
    record = rebuilt(lab, 8)

    assert found(lab, record.number) == []
    record.do(hand_in)
    assert found(lab, record.number) == []


def test_a_plate_turned_round_and_a_foreign_part_are_told_apart(lab: Lab) -> None:
    record, layers = opened(lab, 8)
    gasket = lab.rows(lambda s: builders.a_part(s, builders.the_part_types(s).gas_gasket).id)
    turned = replace(layers[0], facing=Facing.FIXED_END)
    put(record, [turned, *layers[1:]], p21=gasket)
    closed(record)

    check = checked(lab, record.number)

    assert {one.finding.wrong: one.severity for one in check.judged} == {
        Wrong.TURNED: BLOCKS,
        Wrong.JOINT: BLOCKS,
    }
    assert [one.finding.positions for one in check.judged] == [(16,), (21,)]
    with pytest.raises(RefusedTogether):
        record.do(hand_in)


def test_while_a_pile_is_stacked_what_is_to_come_is_not_missing(lab: Lab) -> None:
    """Opened at the free end, the rest of the pile is yet to be put on."""
    record, layers = opened(lab, 9)

    assert found(lab, record.number) == []
    put(record, layers[:2])
    assert found(lab, record.number) == []
    put(record, [layers[3]])
    assert found(lab, record.number) == [(Wrong.MISSING, BLOCKS)]


@pytest.mark.both_engines
def test_a_first_build_is_checked_from_its_first_layer(engine: Engine) -> None:
    lab = a_lab(engine, cells=0, has_pattern=True)
    record = lab.begin(RecordKind.FIRST_BUILD)
    assert found(lab, record.number) == []
    pile = lab.rows(lambda s: [(part.id, facing) for part, facing in builders.a_pile(s, cells=1)])
    for part, facing in pile[1:4]:
        record.do(put_on, end=End.FREE, part_id=part, facing=facing)

    assert found(lab, record.number) == [(Wrong.MISSING, BLOCKS)]


def test_closed_without_its_rods_is_not_handed_in(engine: Engine) -> None:
    """Sleeves, rods, springs, nuts and compression plates, as the design counts them."""
    lab = a_lab(engine, cells=0, has_pattern=True)
    record = lab.begin(RecordKind.FIRST_BUILD)
    pile = lab.rows(lambda s: [(part.id, facing) for part, facing in builders.a_pile(s, cells=1)])
    for part, facing in pile:
        record.do(put_on, end=End.FREE, part_id=part, facing=facing)
    before = missing(lab, record.number)
    closed(record)

    said = list(missing(lab, record.number))

    assert before == {}
    assert said[0] == "Tie rod 1 missing. Put in tie rod 1, with its parts."
    assert len(said) == 6
    assert said[-1].startswith("Compression plate missing at the free end")


def test_a_sleeve_taken_off_and_forgotten_is_named(lab: Lab) -> None:
    record, layers = opened(lab, 3)
    with Session(lab.engine) as session:
        sleeve = session.scalars(
            select(Fixing.part_id).where(Fixing.kind == Kind.SLEEVE, Fixing.rod_number == 3)
        ).one()
    record.do(remove_fixing, part_id=sleeve)
    put(record, layers)
    closed(record)

    assert found(lab, record.number) == [(Wrong.NO_SLEEVE, BLOCKS)]
    assert "sleeve missing on rod 3" in checked(lab, record.number).judged[0].finding.sentence


@pytest.mark.both_engines
def test_kinds_the_design_does_not_count_are_let_be(lab: Lab) -> None:
    """A disc spring more or less, where nothing is said of them."""
    change_design(lab, rod_disc_springs=None)
    record, layers = opened(lab, 3)
    with Session(lab.engine) as session:
        spring = session.scalars(
            select(Fixing.part_id).where(Fixing.kind == Kind.DISC_SPRING, Fixing.rod_number == 3)
        ).one()
    record.do(remove_fixing, part_id=spring)
    put(record, layers)
    closed(record)

    assert found(lab, record.number) == []


def test_a_gasket_put_back_needs_a_concession(lab: Lab) -> None:
    """It is to be renewed at every opening, and has lived through more than it may."""
    record, layers = opened(lab, 9)
    gaskets = [layer for layer in layers if layer.kind is Kind.GASKET]
    put(record, layers, **{f"p{layer.position}": layer.part for layer in gaskets[:2]})
    closed(record)

    said = missing(lab, record.number)

    assert found(lab, record.number) == [(Wrong.NOT_RENEWED, CONCESSION)] * 2
    assert set(said.values()) == {"blocks"}
    assert all("needs a concession. Fit new ones." in sentence for sentence in said)


def test_who_may_give_concessions_accepts_a_departure_with_the_reason(lab: Lab) -> None:
    """It stands in the record by name; they cannot approve it, which can be handed in now."""
    record, layers = opened(lab, 3)
    put(record, layers, p21=layers[0].part)
    closed(record)
    quality = somebody(lab, Role.SUPERVISOR)
    sentence = checked(lab, record.number).judged[0].finding.sentence
    with pytest.raises(Refused):
        record.do(hand_in)

    record.do(accept_departure, departs_from=sentence, reason="No others in house.", by=quality)

    assert found(lab, record.number) == [(Wrong.NOT_RENEWED, REMARK)]
    assert missing(lab, record.number) == {
        f"{sentence[0].upper()}{sentence[1:]}: accepted by {quality.name}: No others in house.":
            "remark"
    }  # fmt: skip
    signed = record.do(hand_in)
    with Session(lab.engine) as session:
        (entry,) = (
            each for each in entries_of(session, record.number) if each.kind is StepKind.DEPARTURE
        )
        content = record_content(session, [record.number])[record.number]
        decides = may_decide(session, quality, record.number, lab.builder.id)
        holds = verify(session, [record.number])[record.number].holds
    assert (entry.kind, entry.departs_from, entry.note) == (
        StepKind.DEPARTURE, sentence, "No others in house.",
    )  # fmt: skip
    assert sentence in entry.in_words
    assert content.sha256 == signed
    assert sentence in content.canonical
    assert holds
    assert not decides


def test_a_departure_is_accepted_of_what_the_check_says_and_no_more(lab: Lab) -> None:
    """By somebody who may; not of what blocks, nor twice, nor of what nobody found."""
    record, layers = opened(lab, 8)
    put(record, [layer for layer in layers if layer.position != 17], p21=layers[5].part)
    closed(record)
    blocking, other = (one.finding for one in checked(lab, record.number).judged)
    quality = somebody(lab, Role.QUALITY)

    def accept(departs_from: str, reason: str = "agreed", **who: Person) -> None:
        record.do(accept_departure, departs_from=departs_from, reason=reason, **who)

    with pytest.raises(NotAllowed):
        accept(other.sentence)
    with pytest.raises(Refused, match="no reason makes this right"):
        accept(blocking.sentence, by=quality)
    with pytest.raises(Refused, match="does not say this"):
        accept("all is well", by=quality)
    with pytest.raises(Refused, match="nothing is given"):
        accept(other.sentence, " ", by=quality)
    accept(other.sentence, by=quality)
    with pytest.raises(Refused, match="has accepted it already"):
        accept(other.sentence, by=quality)


def test_an_undone_departure_counts_no_more(lab: Lab) -> None:
    record, layers = opened(lab, 3)
    put(record, layers, p21=layers[0].part)
    closed(record)
    quality = somebody(lab, Role.QUALITY)
    sentence = checked(lab, record.number).judged[0].finding.sentence
    record.do(accept_departure, departs_from=sentence, reason="agreed", by=quality)

    record.do(undo_last, because="agreed too early")

    assert found(lab, record.number) == [(Wrong.NOT_RENEWED, CONCESSION)]


def test_once_the_pile_is_another_a_departure_is_accepted_anew(lab: Lab) -> None:
    """What was accepted was the finding as it read: of one gasket, not of two."""
    record, layers = opened(lab, 9)
    put(record, layers[:1], p15=layers[0].part)
    quality = somebody(lab, Role.QUALITY)
    sentence = checked(lab, record.number).judged[0].finding.sentence
    record.do(accept_departure, departs_from=sentence, reason="agreed", by=quality)
    assert found(lab, record.number) == [(Wrong.NOT_RENEWED, REMARK)]

    put(record, layers[1:], p21=layers[6].part)

    assert found(lab, record.number) == [(Wrong.NOT_RENEWED, CONCESSION)]


def test_a_held_part_that_stayed_in_needs_a_concession(lab: Lab) -> None:
    """Closing the stack again uses it again, though nobody touched it."""
    quality = somebody(lab, Role.QUALITY)
    first = checked(lab, 1).layers[5].part
    lab.do(place_hold, Subject(part_id=first), reason="pinholes in its lot", by=quality)

    record = rebuilt(lab)

    assert found(lab, record.number) == [(Wrong.ON_HOLD, CONCESSION)]
    [sentence] = missing(lab, record.number)
    assert "on hold: pinholes in its lot (cell 1): needs a concession" in sentence
    record.do(accept_departure, departs_from=checked(lab, record.number).judged[0].finding.sentence,
              reason="until the new lot is here", by=quality)  # fmt: skip
    record.do(hand_in)


def test_a_held_part_is_found_where_the_design_keeps_no_pattern(engine: Engine) -> None:
    """Whether it stayed in, or came on hold after it was put on; lifted, nothing is in the way."""
    lab = a_lab(engine)
    quality = somebody(lab, Role.QUALITY)
    record = rebuilt(lab)
    layers = record.pile.layers
    stayed, put_back = layers[0].part, layers[-1].part
    lab.do(place_hold, Subject(part_id=stayed), reason="corroded", by=quality)
    hold = lab.do(place_hold, Subject(part_id=put_back), reason="bent", by=quality)

    assert found(lab, record.number) == [(Wrong.ON_HOLD, CONCESSION)] * 2
    with pytest.raises(RefusedTogether):
        record.do(hand_in)

    lab.do(lift_hold, hold, reason="is flat", by=quality)
    sentence, _without_pattern = missing(lab, record.number)
    assert "on hold: corroded: needs a concession" in sentence
    with pytest.raises(Refused, match="on hold: corroded"):
        record.do(hand_in)
    record.do(accept_departure, departs_from=checked(lab, record.number).judged[0].finding.sentence,
              reason="until the new one is here", by=quality)  # fmt: skip
    record.do(hand_in)


def test_a_hold_placed_after_hand_in_changes_nothing_of_the_record(lab: Lab) -> None:
    """What was known then counts; a hold lifted since counts as well."""
    quality = somebody(lab, Role.QUALITY)
    mea = checked(lab, 1).layers[5].part
    record = rebuilt(lab)
    record.do(hand_in)
    lab.now += timedelta(days=1)

    hold = lab.do(place_hold, Subject(part_id=mea), reason="failed later", by=quality)

    assert found(lab, record.number) == []
    assert found(lab, 1) == []
    lab.now += timedelta(days=1)
    lab.do(lift_hold, hold, reason="was another", by=quality)
    assert found(lab, record.number) == []


def test_a_part_used_under_a_concession_has_been_judged(lab: Lab) -> None:
    """The concession is used up by putting it on: a remark is left."""
    quality = somebody(lab, Role.QUALITY)
    record, layers = opened(lab, 6)
    mea = next(layer for layer in layers if layer.kind is Kind.MEA)
    lab.do(place_hold, Subject(part_id=mea.part), reason="weak", by=quality)
    lab.do(give_concession, Subject(part_id=mea.part), reason="for one week", by=quality)
    put(record, layers)
    closed(record)

    assert found(lab, record.number) == [(Wrong.ON_HOLD, REMARK)]
    record.do(hand_in)


@pytest.mark.parametrize("usability", [Usability.REJECTED, Usability.NOT_INSPECTED])
def test_a_part_nobody_accepted_needs_a_concession(lab: Lab, usability: Usability) -> None:
    """It stayed in; today's judgement counts while the record is written, and no longer."""
    record = rebuilt(lab)
    mea = checked(lab, 1).layers[5].part
    lab.rows(lambda s: s.execute(update(Part).where(Part.id == mea).values(usability=usability)))

    assert found(lab, record.number) == [(Wrong.NOT_ACCEPTED, CONCESSION)]
    assert found(lab, 1) == []


def test_a_part_of_another_revision_of_the_design_is_told_as_that(lab: Lab) -> None:
    """Named by the new revision's pattern, not by this one's: one finding for all alike."""

    def draw_anew(session: Session) -> list[int]:
        types = builders.the_part_types(session)
        values = {
            name: getattr(types.fuel_plate, name)
            for name in ("kind", "name", "drawing_number", "material", "thickness_mm", "side",
                         "back", "joint", "marked_face", "counted", "renew_at_opening",
                         "openings_most", "hours_most", "shelf_life_months", "made_at")
        }  # fmt: skip
        new = PartType(revision="B", **values)
        session.add(new)
        session.flush()
        own = session.scalars(select(Design)).one()
        pattern = read_pattern((own.pattern or "").replace("TEL-004 rev. A", "TEL-004 rev. B"))
        design = builders.a_design(session, pattern=pattern)
        design.name, design.revision = own.name, "B"
        return [builders.a_part(session, new).id for _ in range(2)]

    new = lab.rows(draw_anew)
    record = rebuilt(lab, 14, p10=new[0], p16=new[1])

    assert found(lab, record.number) == [(Wrong.REVISION, CONCESSION)]
    [finding] = [one.finding for one in checked(lab, record.number).judged]
    assert finding.sentence == "2 × half plate at 10, 16: released for Tarn 1 B, not for Tarn 1 A"


def test_a_part_of_another_type_is_named_with_its_drawing(lab: Lab) -> None:
    other = lab.rows(lambda s: builders.a_part(s, builders.the_part_types(s).mea_directional).id)
    record, layers = opened(lab, 7)
    put(record, [replace(one, facing=Facing.FIXED_END) if one.kind is Kind.MEA else one
                 for one in layers], p18=other)  # fmt: skip
    closed(record)

    [one] = checked(lab, record.number).judged

    assert (one.finding.wrong, one.severity) == (Wrong.TYPE, CONCESSION)
    assert "is of type TEL-002 rev. A; TEL-001 rev. A belongs there" in one.finding.sentence


def test_past_its_hours_counts_the_hours_before_this_event(lab: Lab) -> None:
    """The meter stood at 100 h when the stack was built and at 120 h when it was opened."""

    def limit(hours: float) -> None:
        lab.rows(lambda s: s.execute(
            update(PartType).where(PartType.kind == Kind.MEA).values(hours_most=hours)
        ))  # fmt: skip

    record = rebuilt(lab)
    limit(15)

    assert found(lab, record.number) == [(Wrong.PAST_HOURS, CONCESSION)]
    assert "3 × MEA" in checked(lab, record.number).judged[0].finding.sentence
    limit(25)
    assert found(lab, record.number) == []


def test_shelf_life_is_asked_of_what_is_fitted_for_the_first_time(lab: Lab) -> None:
    record, layers = opened(lab, 3)
    put(record, layers)
    closed(record)
    gasket = checked(lab, record.number).layers[20]
    lab.rows(lambda s: s.execute(
        update(Lot).where(Lot.label == gasket.lot).values(expires_at=NOW - timedelta(days=3))
    ))  # fmt: skip

    assert found(lab, record.number) == [(Wrong.PAST_SHELF_LIFE, CONCESSION)]
    assert f"{gasket.label} at 21" in checked(lab, record.number).judged[0].finding.sentence


def test_a_directional_mea_whose_facing_nobody_noted_is_questioned(engine: Engine) -> None:
    lab = a_lab(engine, cells=2, has_pattern=True)
    change_design(lab, pattern=the_pattern_with(lab, facing=Facing.FIXED_END, directional=True))

    record = rebuilt(lab)

    assert found(lab, record.number) == [(Wrong.FACING_UNKNOWN, CONCESSION)] * 2


def test_mixed_lots_are_found_where_the_design_forbids_them(engine: Engine) -> None:
    lab = a_lab(engine, cells=2, has_pattern=True)
    change_design(lab, pattern=the_pattern_with(lab, one_lot=True))
    lab.rows(lambda s: s.execute(
        update(Part).where(Part.id == checked(lab, 1).layers[5].part).values(
            lot_id=builders.a_lot(s, builders.the_part_types(s).mea).id
        )
    ))  # fmt: skip

    record = rebuilt(lab)

    assert found(lab, record.number) == [(Wrong.MIXED_LOTS, CONCESSION)]


def test_more_cells_than_the_design_allows_need_a_concession(lab: Lab) -> None:
    change_design(lab, pattern=the_pattern_with(lab).replace("most_cells = 120", "most_cells = 2"))

    record = rebuilt(lab)

    assert found(lab, record.number) == [(Wrong.TOO_MANY_CELLS, CONCESSION)]


def test_a_record_that_opened_nothing_only_remarks(lab: Lab) -> None:
    """An inspection does not answer for what lies in the pile."""
    change_design(lab, pattern=the_pattern_with(lab).replace("most_cells = 120", "most_cells = 2"))
    record = lab.begin(RecordKind.INSPECTION)

    assert found(lab, record.number) == [(Wrong.TOO_MANY_CELLS, REMARK)]
    [sentence] = missing(lab, record.number)
    assert sentence.endswith("So it was found; this record does not answer for it.")
    record.do(hand_in)


def test_a_build_is_checked_as_its_layer_map_shows_it(lab: Lab) -> None:
    with Session(lab.engine) as session:
        shown = layer_map(session, lab.stack_id)
        clean = check_of_build(session, shown)
    change_design(lab, pattern=the_pattern_with(lab).replace("most_cells = 120", "most_cells = 2"),
                  rod_nuts=2)  # fmt: skip
    with Session(lab.engine) as session:
        wrong = check_of_build(session, layer_map(session, lab.stack_id))

    assert (clean.cells, clean.judged) == (3, ())
    assert [one.finding.wrong for one in wrong.judged] == [
        Wrong.TOO_MANY_CELLS, *[Wrong.NO_FIXING] * 4,
    ]  # fmt: skip


def test_the_statements_do_not_grow_with_the_pile(engine: Engine, statements: Statements) -> None:
    small = a_lab(engine, cells=2, has_pattern=True)
    with Session(engine) as session:
        design = session.get_one(Design, 1)
        builders.a_stack(session, cells=12, serial="TARN-002", design=design)
        session.commit()
    counted = []
    for record_id in (1, 2):
        with statements() as seen, Session(small.engine) as session:
            assert pile_check(session, record_id).judged == ()
        counted.append(len(seen))

    assert counted[0] == counted[1] <= 24
