"""Changeover plans: made from the store as it is, kept as made, followed by a record."""

import json
from collections.abc import Callable
from dataclasses import replace
from datetime import date, timedelta
from typing import Any

import pytest
from sqlalchemy import Engine, select, update
from sqlalchemy.exc import DBAPIError
from sqlalchemy.orm import Session

from service.bench.changes.layers import lift_off_down_to, put_on
from service.life.changes.failing_marks import confirm_failing
from service.people.tables import Role
from service.planning.arithmetic.options import (
    AddCells,
    BlankCell,
    RemoveCells,
    ReplaceCells,
    SplitStack,
    Wish,
)
from service.planning.changes import begin_record_from_plan, make_plan
from service.planning.queries.closing import RodEntry
from service.planning.queries.documents import PlanDocument
from service.planning.queries.plans import Progress, plan_by_number, plans_of_stack, progress
from service.planning.queries.working_out import Ask, WorkedOut, ground_of, work_out, write_wishes
from service.planning.tables import ChangeoverPlan
from service.platform.arithmetic.vocabulary import End, Kind, Usability
from service.platform.database import reading
from service.platform.errors import NotAllowed, NotFound, Question, Refused
from service.platform.tables import AuditEntry
from service.records.changes.deviations import Stands
from service.records.tables import RebuildRecord, Step
from service.stacks.tables import Layer, Stack
from service.store.tables import Hold, Lot, Part, PartType
from tests import builders
from tests.bench.at_the_bench import NOW, WORK_BEGAN, Bench, Lab, a_lab, known, what_is_missing

DAY = NOW.date()
ONE_MORE = Ask((AddCells(1, 4),), DAY)


@pytest.fixture
def lab(engine: Engine) -> Lab:
    """A stack of three cells with a pattern; in store three MEAs, plates of both sides, gaskets."""
    lab = a_lab(engine, 3, has_pattern=True)
    lab.rows(stock)
    return lab


def stock(session: Session) -> None:
    types = builders.the_part_types(session)
    for number in (1, 2, 3):
        for part_type, letter in (
            (types.mea, "M"),
            (types.fuel_plate, "F"),
            (types.air_plate, "A"),
        ):
            builders.a_part(session, part_type, serial=f"{letter}-NEW-{number}")
    for part_type in (types.gas_gasket, types.coolant_gasket):
        builders.a_lot(session, part_type, label=f"NEW {part_type.name}", quantity=30)
        session.execute(
            update(Lot)
            .where(Lot.part_type_id == part_type.id, Lot.quantity.is_(None))
            .values(quantity=0)
        )


def worked_out(lab: Lab, ask: Ask = ONE_MORE) -> WorkedOut:
    with reading(lab.engine) as session:
        return work_out(session, ground_of(session, lab.stack_id), ask)


def made(lab: Lab, ask: Ask = ONE_MORE, **facts: Any) -> int:
    number: int = lab.do(
        make_plan, **{"stack_id": lab.stack_id, "ask": ask, "note": "one cell more", **facts}
    )
    return number


def begun(lab: Lab, ask: Ask = ONE_MORE) -> Bench:
    plan = made(lab, ask)
    return Bench(lab, lab.do(begin_record_from_plan, plan, performed_from=WORK_BEGAN))


def how_it_stands(lab: Lab, bench: Bench) -> Progress:
    with reading(lab.engine) as session:
        found = progress(session, bench.number)
    assert found is not None
    return found


def part_of(lab: Lab, serial: str) -> Part:
    with Session(lab.engine, expire_on_commit=False) as session:
        return session.scalars(select(Part).where(Part.serial == serial)).one()


def picked(lab: Lab, ask: Ask = ONE_MORE) -> set[str]:
    return {line.label for line in worked_out(lab, ask).document.picks}


def test_a_plan_names_the_parts_in_store(lab: Lab) -> None:
    """One cell more at the free end: its MEA and plates by serial, its gaskets by lot."""
    document = worked_out(lab).document

    assert document.ends == (End.FREE,)
    assert (document.cells_before, document.cells_after) == (3, 4)
    assert not document.wanting
    labels = {line.label for line in document.picks}
    assert {"M-NEW-1", "lot NEW gas gasket", "lot NEW coolant gasket"} <= labels
    assert {line.where for line in document.picks} == {"in store", "from the lot"}
    assert document.height_mm == pytest.approx(2 * 8 + 2 * 2 + 4 * 6.3 + 5 * 0.4)


def test_the_rods_come_from_the_design_and_the_rest_is_said_to_be_assumed(lab: Lab) -> None:
    document = worked_out(lab).document

    assert document.rods.length_mm == 400
    assert document.rods.clamped_mm == 2 * 20 + 2
    assert "nuts 8\u2009mm high" in document.assumed
    told = worked_out(lab, replace(ONE_MORE, rods=RodEntry(nut_mm=6.5))).document
    assert told.rods.nut_mm == 6.5
    assert not any("nuts" in line for line in told.assumed)


@pytest.mark.parametrize("why", ["hold", "lot hold", "not accepted", "reserved", "expired", "away"])
def test_what_may_not_be_used_is_not_picked(lab: Lab, why: str) -> None:
    """The next one is, and the reason is counted once parts are wanting."""
    held = part_of(lab, "M-NEW-1").id

    def spoil(session: Session) -> None:
        part = session.get_one(Part, held)
        lot = builders.a_lot(session, builders.the_part_types(session).mea)
        other = builders.a_stack(session, serial="TARN-099")
        by = builders.a_person(session, Role.QUALITY).id
        facts = {"reason": "pinholes", "placed_by_id": by, "placed_at": builders.START}
        if why == "hold":
            session.add(Hold(part_id=held, **facts))
        elif why == "lot hold":
            part.lot_id = lot.id
            session.add(Hold(lot_id=lot.id, **facts))
        elif why == "not accepted":
            part.usability = Usability.NOT_INSPECTED
        elif why == "reserved":
            part.reserved_for_stack_id = other.id
        elif why == "expired":
            part.lot_id, lot.expires_at = lot.id, NOW - timedelta(days=3)
        else:
            part.whereabouts = "away"

    lab.rows(spoil)

    assert "M-NEW-1" not in picked(lab)
    assert "M-NEW-2" in picked(lab)


def test_the_oldest_lot_comes_first(lab: Lab) -> None:
    def older(session: Session) -> None:
        lot = builders.a_lot(session, builders.the_part_types(session).mea, label="OLD")
        lot.produced_at = builders.START - timedelta(days=400)
        session.get_one(Part, part_of(lab, "M-NEW-3").id).lot_id = lot.id

    lab.rows(older)

    assert "M-NEW-3" in picked(lab)


def test_a_used_gasket_in_store_and_a_blank_cell_are_never_picked_for_a_cell(lab: Lab) -> None:
    """A blank cell may stand in an MEA's place, but only where somebody wishes it."""

    def lay_by(session: Session) -> None:
        types = builders.the_part_types(session)
        blank = builders.a_part(session, types.blank_cell, serial="B-1")
        old = builders.a_lot(session, types.blank_cell, label="ANCIENT")
        old.produced_at, blank.lot_id = builders.START - timedelta(days=900), old.id

    lab.rows(lay_by)

    assert "B-1" not in picked(lab)
    assert "B-1" in picked(lab, Ask((BlankCell(2),), DAY))


def test_what_is_wanting_is_told_with_what_does_not_count(lab: Lab) -> None:
    document = worked_out(lab, Ask((AddCells(4, 1),), DAY)).document

    assert any("4 × MEA" in line and "3 to be had" in line for line in document.wanting)
    assert any(line.wanting for line in document.put_on)


def test_parts_which_have_had_their_openings_are_renewed_once_reached(lab: Lab) -> None:
    """Limits of a type count besides what the design renews."""

    def limit(session: Session) -> None:
        builders.the_part_types(session).air_plate.openings_most = 0

    lab.rows(limit)
    document = worked_out(lab, Ask((ReplaceCells((3,), with_plates=False),), DAY)).document

    assert "0 of 0 openings used" in {line.reason for line in document.must_renew} | {
        line.then.removeprefix("to be renewed: ") for line in document.lift_off
    }


def test_what_is_on_hold_is_renewed_once_reached(lab: Lab) -> None:
    """And what lies in store on hold, or is failing, is not picked in its place."""
    quality = lab.rows(lambda s: known(s, builders.a_person(s, Role.QUALITY)))
    with Session(lab.engine) as session:
        fitted = session.scalars(
            select(Part)
            .join(Layer, Layer.part_id == Part.id)
            .join(PartType, PartType.id == Part.part_type_id)
            .where(Layer.cell == 3, PartType.kind == Kind.MEA)
        ).one()
    for part in (fitted, part_of(lab, "M-NEW-1")):
        lab.do(
            confirm_failing,
            part.id,
            failed_at=lab.now,
            grounds=["voltage"],
            reason="0.31 V",
            by=quality,
        )

    ask = Ask((ReplaceCells((2,), with_plates=False),), DAY, may_open=(End.FREE,))
    document = worked_out(lab, ask).document

    why = "on hold: Failed: 0.31 V"
    at = next(line.position for line in document.must_renew if line.reason == why)
    assert document.before[at - 1].part == fitted.id
    assert {"M-NEW-2", "M-NEW-3"} <= picked(lab, ask)
    assert "M-NEW-1" not in picked(lab, ask)


def test_what_its_type_renews_is_renewed_though_the_pattern_does_not_say_so(lab: Lab) -> None:
    """And what stays unopened is no remark."""

    def renew(session: Session) -> None:
        builders.the_part_types(session).air_plate.renew_at_opening = True

    before = worked_out(lab, Ask((ReplaceCells((3,), with_plates=False),), DAY)).document
    lab.rows(renew)
    after = worked_out(lab, Ask((ReplaceCells((3,), with_plates=False),), DAY)).document

    def plates(document: PlanDocument) -> int:
        kinds = {layer.position: layer.kind for layer in document.before}
        return sum(kinds[line.position] is Kind.HALF_PLATE for line in document.must_renew)

    assert (plates(before), plates(after)) == (0, 1)
    assert before.remarks == after.remarks == ()


@pytest.mark.both_engines
def test_a_plan_is_kept_as_it_was_made(lab: Lab) -> None:
    """Whatever happens in the store later; the trail tells who made it and why."""
    worked = worked_out(lab)
    number = made(lab, seen_sha256=worked.content_sha256)
    lab.rows(lambda session: session.execute(update(Part).values(place="moved")))

    with reading(lab.engine) as session:
        kept = plan_by_number(session, number)
        listed = plans_of_stack(session, lab.stack_id)
    assert kept.document == worked.document
    assert kept.is_intact
    assert (kept.note, kept.made_by, kept.record_id) == ("one cell more", "Mara Ilves", None)
    assert [(one.id, one.build) for one in listed] == [(number, 1)]
    assert lab.get(ChangeoverPlan, number).wishes == write_wishes(ONE_MORE.wishes)
    with Session(lab.engine) as session:
        entry = session.scalars(
            select(AuditEntry).where(AuditEntry.act == "changeover plan:made")
        ).one()
    assert entry.reason == "one cell more"
    told = {field: after for field, _, after in json.loads(entry.changes)}
    assert told["content"] == worked.content_sha256


@pytest.mark.both_engines
def test_the_database_lets_nobody_change_a_plan(lab: Lab) -> None:
    number = made(lab)

    for change in ({"note": "another"}, {"content": "{}"}):
        with Session(lab.engine) as session, pytest.raises(DBAPIError, match="keeps what it says"):
            session.execute(update(ChangeoverPlan).values(**change))
    assert lab.get(ChangeoverPlan, number).note == "one cell more"


def test_a_split_is_kept_with_the_new_stack(lab: Lab) -> None:
    document = worked_out(lab, Ask((SplitStack(2, End.FIXED, "TARN-050"),), DAY)).document
    number = made(lab, Ask((SplitStack(2, End.FIXED, "TARN-050"),), DAY))

    with reading(lab.engine) as session:
        kept = plan_by_number(session, number).document
    assert kept.second == document.second
    assert kept.second is not None
    assert kept.second.to == "TARN-050"


@pytest.mark.both_engines
def test_picked_parts_are_reserved_where_it_is_asked_for(lab: Lab) -> None:
    made(lab, reserve=True)

    assert part_of(lab, "M-NEW-1").reserved_for_stack_id == lab.stack_id
    assert part_of(lab, "M-NEW-2").reserved_for_stack_id is None
    assert "M-NEW-1" in picked(lab)  # for this stack it stays what it was


def test_rods_which_are_too_short_refuse_the_plan_and_say_what_they_allow(lab: Lab) -> None:
    short = replace(ONE_MORE, rods=RodEntry(length_mm=108.0))

    assert "longest stack these rods allow" in worked_out(lab, short).document.refusals[0]
    with pytest.raises(Refused, match="longest stack these rods allow has 3 cells"):
        made(lab, short)


def test_a_plan_shown_before_the_store_changed_is_refused(lab: Lab) -> None:
    seen = worked_out(lab).content_sha256
    lab.rows(
        lambda session: session.execute(
            update(Part).where(Part.serial == "M-NEW-1").values(usability="rejected")
        )
    )

    with pytest.raises(Refused, match="has changed since the plan was shown"):
        made(lab, seen_sha256=seen)


def test_without_a_pattern_or_a_build_no_plan_is_made(engine: Engine) -> None:
    lab = a_lab(engine, 2)
    with pytest.raises(Refused, match="keeps no pattern"):
        made(lab)

    new = lab.rows(lambda session: builders.a_stack(session, serial="TARN-077")).id
    with pytest.raises(Refused, match="no present build"):
        made(lab, stack_id=new)
    with pytest.raises(NotFound):
        made(lab, stack_id=999)


def test_who_may_not_write_records_makes_no_plan(lab: Lab) -> None:
    number = made(lab)
    nobody = replace(lab.builder, roles=frozenset())

    with pytest.raises(NotAllowed):
        made(lab, by=nobody)
    with pytest.raises(NotAllowed):
        lab.do(begin_record_from_plan, number, performed_from=WORK_BEGAN, by=nobody)


def test_a_record_is_begun_by_a_plan_once(lab: Lab) -> None:
    number = made(lab)
    record = lab.do(begin_record_from_plan, number, performed_from=WORK_BEGAN)

    assert lab.get(ChangeoverPlan, number).record_id == record
    assert lab.get(RebuildRecord, record).reason == "one cell more"
    with pytest.raises(Refused, match=f"record {record} was begun by it"):
        lab.do(begin_record_from_plan, number, performed_from=WORK_BEGAN)
    with pytest.raises(NotFound):
        lab.do(begin_record_from_plan, 99, performed_from=WORK_BEGAN)


def test_a_plan_for_an_earlier_build_begins_no_record(lab: Lab) -> None:
    number = made(lab)
    lab.rows(
        lambda session: builders.a_build(
            session, session.get_one(Stack, lab.stack_id), closed_at=NOW - timedelta(days=1)
        )
    )

    with pytest.raises(Refused, match="no longer in the build"):
        lab.do(begin_record_from_plan, number, performed_from=NOW)


def follow(lab: Lab, bench_: Bench) -> None:
    """Do at the bench what is left of the plan."""
    now = how_it_stands(lab, bench_)
    for line in now.to_lift_off:
        bench_.lift(line.end)
    after = {layer.position: layer for layer in now.plan.document.after}
    for line in now.to_put_on:
        put(lab, bench_, line.end, after[line.position])


def put(lab: Lab, bench_: Bench, end: End, layer: Any, **answer: Any) -> None:
    lot = None
    if layer.part < 0:
        with Session(lab.engine) as session:
            lot = session.scalars(select(Lot.id).where(Lot.label == layer.lot)).one()
    bench_.do(
        put_on,
        end=end,
        scanned="" if lot else layer.label,
        lot_id=lot,
        facing=layer.facing,
        **answer,
    )


@pytest.mark.parametrize(
    ("wish", "cells"),
    [
        (AddCells(1, 4), 4),
        (AddCells(1, 1), 4),
        (RemoveCells((2,)), 2),
        (ReplaceCells((1, 2, 3)), 3),
        (ReplaceCells((1,), with_plates=False), 3),
    ],
    ids=["at the free end", "at the fixed end", "one out", "nothing stays", "cell 1 anew"],
)
def test_a_record_which_follows_its_plan_departs_in_nothing(
    lab: Lab, wish: Wish, cells: int
) -> None:
    at_bench = begun(lab, Ask((wish,), DAY))
    at_bench.open()
    before = how_it_stands(lab, at_bench)

    follow(lab, at_bench)

    assert before.departures == ()
    assert not before.is_done
    done = how_it_stands(lab, at_bench)
    assert done.departures == ()
    assert done.is_done
    planned = done.plan.document
    assert max(layer.cell or 0 for layer in at_bench.pile.layers) == cells == planned.cells_after
    assert [(layer.kind, layer.facing) for layer in at_bench.pile.layers] == [
        (layer.kind, layer.facing) for layer in planned.after
    ]


def test_a_record_without_a_plan_has_none(lab: Lab) -> None:
    record = lab.begin()

    with reading(lab.engine) as session:
        assert progress(session, record.number) is None


@pytest.mark.both_engines
def test_layers_that_stay_by_the_plan_are_asked_about_once_and_told(lab: Lab) -> None:
    """Nothing is lifted off before it is answered; each entry keeps what it departs from."""
    at_bench = begun(lab)
    at_bench.open()
    at_bench.lift(End.FREE, len(how_it_stands(lab, at_bench).to_lift_off))
    inmost, outer = at_bench.pile.layers[-2:]
    several: dict[str, Any] = {"end": End.FREE, "part_id": inmost.part}

    with pytest.raises(Question) as asked:
        at_bench.do(lift_off_down_to, **several)
    with pytest.raises(Refused, match="stands without a reason"):
        at_bench.do(lift_off_down_to, **several, stands=Stands.STANDS)
    assert at_bench.pile.layers[-1] == outer

    why: dict[str, Any] = {"stands": Stands.STANDS, "departs_because": "it is wet"}
    at_bench.do(lift_off_down_to, **several, **why)

    assert asked.value.key == "stands"
    assert asked.value.facts["part"] == (
        f"{inmost.kind} {inmost.label}, {outer.kind} {outer.label}"
    )
    departures = how_it_stands(lab, at_bench).departures
    assert [words.split(":")[0] for words in departures] == ["Lifted off though it was to stay"] * 2
    with Session(lab.engine) as session:
        steps = session.scalars(select(Step).where(Step.deviation.is_not(None))).all()
        kept = {(step.part_id, step.deviation_because) for step in steps}
        said = session.scalars(select(AuditEntry).order_by(AuditEntry.id.desc())).first()
    assert kept == {(inmost.part, "it is wet"), (outer.part, "it is wet")}
    assert said is not None
    assert said.reason == "it is wet"


@pytest.mark.both_engines
def test_another_part_than_the_picked_one_is_asked_about_and_told(lab: Lab) -> None:
    """Once, with where the picked one is now; nothing is written before it is answered."""
    at_bench = begun(lab)
    at_bench.open()
    now = how_it_stands(lab, at_bench)
    at_bench.lift(End.FREE, len(now.to_lift_off))
    after = {layer.position: layer for layer in now.plan.document.after}
    for line in now.to_put_on:
        layer = after[line.position]
        if layer.label == "M-NEW-1":
            layer = replace(layer, label="M-NEW-2")
            height = len(at_bench.pile.layers)
            with pytest.raises(Question) as asked:
                put(lab, at_bench, line.end, layer)
            assert (asked.value.key, list(asked.value.answers)) == ("stands", ["stands"])
            assert asked.value.facts == {
                "part": "M-NEW-2",
                "plan": f"plan {now.plan.id}",
                "planned": f"MEA M-NEW-1 at {line.position}",
                "planned part is now": "in store, accepted",
            }
            with pytest.raises(Refused, match="without a reason"):
                put(lab, at_bench, line.end, layer, stands=Stands.STANDS)
            assert len(at_bench.pile.layers) == height
            why = {"stands": Stands.STANDS, "departs_because": "M-NEW-1 fell"}
            put(lab, at_bench, line.end, layer, **why)
        else:
            put(lab, at_bench, line.end, layer)

    told = how_it_stands(lab, at_bench)
    with Session(lab.engine) as session:
        kept = session.scalars(select(Step).where(Step.deviation.is_not(None))).all()
        trail = session.scalars(select(AuditEntry).where(AuditEntry.reason == "M-NEW-1 fell")).all()
        remarks = [one.sentence for one in what_is_missing(session, at_bench.number)]
    (step,) = kept
    assert step.deviation_because == "M-NEW-1 fell"
    assert step.deviation.startswith(f"Plan {now.plan.id}: Put on at the free end: MEA M-NEW-2;")
    assert len(trail) == 1
    assert any("Kept because: M-NEW-1 fell" in sentence for sentence in remarks)

    assert told.is_done
    assert len(told.departures) == 1
    assert "MEA M-NEW-2; planned: MEA M-NEW-1" in told.departures[0]


def test_half_done_is_no_departure_until_the_record_is_handed_in(lab: Lab) -> None:
    at_bench = begun(lab)
    at_bench.open()
    at_bench.lift(End.FREE, 1)

    assert how_it_stands(lab, at_bench).departures == ()
    lab.rows(
        lambda session: session.execute(
            update(RebuildRecord).where(RebuildRecord.id == at_bench.number).values(state="void")
        )
    )
    assert any(line.startswith("Not put on: ") for line in how_it_stands(lab, at_bench).departures)


def test_statements_do_not_grow_with_the_pile(lab: Lab, statements: Callable[..., Any]) -> None:
    large = a_larger(lab)

    counts = []
    for stack_id in (lab.stack_id, large):
        with statements() as seen, reading(lab.engine) as session:
            work_out(
                session, ground_of(session, stack_id), Ask((AddCells(1, 1),), date(2026, 3, 1))
            )
        counts.append(len(seen))

    assert counts[0] == counts[1] <= 22


def a_larger(lab: Lab) -> int:
    def make(session: Session) -> int:
        design = session.get_one(Stack, lab.stack_id).design_id
        small = session.get_one(builders.Design, design)
        stack = builders.a_stack(session, serial="TARN-200", cells=12, design=small)
        assert session.scalar(select(Layer.id).limit(1))
        return stack.id

    made: int = lab.rows(make)
    return made
