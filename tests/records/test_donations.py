"""Parts that go from one stack to another, and a stack split in two."""

from collections.abc import Callable
from typing import Any

import pytest
from sqlalchemy import Engine, insert, select, update
from sqlalchemy.exc import DBAPIError

from service.bench.changes.bench import undo_last
from service.bench.changes.handing_in import hand_in
from service.bench.changes.layers import put_on
from service.bench.queries.choices import tray_of
from service.bench.queries.rebuild_records import record_view
from service.designs.tables import Design
from service.people.tables import Role
from service.platform.arithmetic.vocabulary import End, Kind
from service.platform.database import reading
from service.platform.errors import Refused, RefusedTogether
from service.platform.queries.statements import known
from service.records.changes.bench_opening import close_stack
from service.records.changes.donations import take_parts_from
from service.records.changes.splits import split_off
from service.records.queries.donations import PartsMoved
from service.records.tables import RebuildRecord, RecordKind, Step, StepKind
from service.stacks.queries.hours import stack_hours
from service.stacks.queries.layer_maps import layer_map
from service.stacks.queries.lineage import Split, lineage
from service.stacks.queries.part_hours import part_hours
from service.stacks.queries.stacks import stack_list
from service.stacks.tables import BuildPeriod, Stack
from tests import builders
from tests.bench.at_the_bench import WORK_BEGAN, Bench, Lab, a_lab, where


def a_donor(lab: Lab, cells: int = 2) -> int:
    """A second stack of the design."""
    design_id = lab.get(Stack, lab.stack_id).design_id
    made: int = lab.rows(
        lambda s: (
            builders.a_stack(
                s,
                cells=cells,
                serial="TARN-002",
                design=s.get_one(Design, design_id),
                meter_hours=100.0,
            ).id
        )
    )
    return made


def down_to_an_mea(bench: Bench) -> int:
    """Open it and lift off down to its outermost MEA, that one too."""
    bench.open()
    parts = []
    while (layer := bench.pile.pile.outermost(End.FREE)) and layer.kind is not Kind.MEA:
        parts += bench.lift()
    (mea,) = bench.lift()
    return mea


def moved(lab: Lab, number: int) -> tuple[PartsMoved, ...]:
    with reading(lab.engine) as session:
        return record_view(session, number).moved


def offered(bench: Bench) -> dict[int, str]:
    """What the receiver's pile offers from other stacks, and from where."""
    with reading(bench.lab.engine) as session:
        tray = tray_of(session, bench.pile, bench.lab.now)
    return {each.layer.part: each.donor for each in tray.back if each.donor}


@pytest.mark.both_engines
def test_case_08_the_receivers_record_begins_the_donors_and_takes_its_parts_one_by_one(
    engine: Engine,
) -> None:
    """Both records show each other; a part that still stands there is refused, with where."""
    lab = a_lab(engine)
    donor_id = a_donor(lab)
    receiver = lab.begin()
    down_to_an_mea(receiver)

    receiver.do(
        take_parts_from, donor_stack="tarn-002", donor_kind=RecordKind.REBUILD, done_at=WORK_BEGAN
    )

    donor = Bench(lab, receiver.number + 1)
    assert (donor.record.stack_id, donor.record.kind) == (donor_id, RecordKind.REBUILD)
    assert donor.record.reason == f"Parts for TARN-001, record {receiver.number}."
    standing = next(x.part for x in donor.pile.layers if x.kind is Kind.MEA and x.cell == 2)
    with pytest.raises(Refused) as refused:
        receiver.do(put_on, end=End.FREE, part_id=standing, facing="free end")
    assert f"Lift it off there first, in record {donor.number} of TARN-002." in str(refused.value)
    assert offered(receiver) == {}
    mea = down_to_an_mea(donor)
    assert mea == standing
    assert offered(receiver)[mea] == f"TARN-002, record {donor.number}"

    receiver.do(put_on, end=End.FREE, part_id=mea, facing="free end")

    assert where(lab, mea) == ("fitted", lab.stack_id)
    assert mea not in offered(receiver)
    label = next(x.label for x in receiver.pile.layers if x.part == mea)
    assert moved(lab, receiver.number) == (
        PartsMoved(donor.number, "TARN-002", given=False, parts=(label,)),
    )
    assert moved(lab, donor.number) == (
        PartsMoved(receiver.number, "TARN-001", given=True, parts=(label,)),
    )
    with pytest.raises(RefusedTogether) as missing:
        receiver.do(hand_in)
    first = f"{label} still counts as fitted in TARN-002: hand in record {donor.number} first."
    assert first in str(missing.value)


def test_case_08_a_part_put_on_straight_from_another_stack_names_its_record(
    engine: Engine,
) -> None:
    lab = a_lab(engine)
    donor = lab.begin(stack_id=a_donor(lab))
    mea = down_to_an_mea(donor)
    receiver = lab.begin()
    down_to_an_mea(receiver)

    receiver.do(put_on, end=End.FREE, part_id=mea, facing="free end")
    receiver.do(undo_last)

    (named,) = moved(lab, receiver.number)
    assert (named.record_id, named.given, named.parts) == (donor.number, False, ())
    receiver.do(put_on, end=End.FREE, part_id=mea, facing="free end")
    (named,) = moved(lab, receiver.number)
    assert len(named.parts) == 1
    steps = lab.rows(lambda s: s.scalars(select(Step).where(Step.kind == StepKind.DONOR)).all())
    assert [step.note for step in steps] == [f"TARN-002, record {donor.number}"]


def test_case_08_the_donor_counts_its_own_cells_and_the_part_its_own_hours(engine: Engine) -> None:
    """2 cells become 1 there; 20 h there go with the part, and no stack takes over another's."""
    lab = a_lab(engine)
    donor = lab.begin(stack_id=a_donor(lab))
    mea = down_to_an_mea(donor)
    with reading(lab.engine) as session:
        base = session.get_one(RebuildRecord, donor.number).base_build_id
    donor.do(close_stack, closed_at=lab.now)
    donor.do(hand_in)
    receiver = lab.begin()
    old = down_to_an_mea(receiver)
    receiver.do(put_on, end=End.FREE, part_id=mea, facing="free end")
    receiver.do(close_stack, closed_at=lab.now)
    receiver.do(hand_in)

    with reading(lab.engine) as session:
        hours = part_hours(session, [mea, old])
        donors = layer_map(session, donor.record.stack_id)
        receivers = layer_map(session, lab.stack_id)
        stacks = stack_hours(session, [lab.stack_id])[lab.stack_id]
        opened = session.scalars(
            select(BuildPeriod.opened_by_record_id).where(
                BuildPeriod.build_id == base, known(BuildPeriod)
            )
        ).one()
    assert opened == donor.number
    assert {layer.cell for layer in donors.layers if layer.cell} == {1}
    assert donors.build
    assert (donors.build.number, donors.build.state) == (2, "not released")
    assert mea in {layer.part for layer in receivers.layers}
    assert hours[mea].total.hours == hours[old].total.hours == 20.0
    assert stacks.hours.hours == 20.0


@pytest.mark.parametrize(
    ("facts", "words"),
    [
        ({}, "name one of the two"),
        ({"donor_stack": "TARN-009"}, "no such stack"),
        ({"donor_stack": "TARN-001"}, "this stack itself"),
        ({"donor_stack": "TARN-002"}, "what becomes of the stack"),
        ({"donor_record_id": 99}, "no such record"),
        ({"donor_record_id": 1, "donor_stack": "TARN-002"}, "name one of the two"),
    ],
)
def test_case_08_what_is_no_donor_is_refused(
    engine: Engine, facts: dict[str, Any], words: str
) -> None:
    lab = a_lab(engine)
    a_donor(lab)
    receiver = lab.begin()

    with pytest.raises(Refused, match=words):
        receiver.do(take_parts_from, **facts)


@pytest.mark.both_engines
def test_case_08_the_database_takes_no_stack_as_its_own_donor(engine: Engine) -> None:
    lab = a_lab(engine)
    number = lab.begin().number
    row = {
        "record_id": number,
        "sequence": 9,
        "kind": StepKind.DONOR,
        "standing": False,
        "place_before": "",
        "note": "",
        "done_at": lab.now,
        "written_at": lab.now,
        "by_id": lab.builder.id,
    }

    with pytest.raises(DBAPIError, match="another stack"), engine.begin() as connection:
        connection.execute(insert(Step).values(row | {"donor_id": number}))
    with pytest.raises(DBAPIError, match="donor_is_named"), engine.begin() as connection:
        connection.execute(insert(Step).values(row))


def test_case_08_page_and_api_name_the_donor_and_the_pile_offers_what_lies_there(
    app: Any, signed_in_client: Callable[..., Any], calling: Callable[..., Any]
) -> None:
    lab = a_lab(app.state.engine)
    donor = lab.begin(stack_id=a_donor(lab))
    mea = down_to_an_mea(donor)
    receiver = lab.begin()
    down_to_an_mea(receiver)
    client = signed_in_client(Role.BUILDER)
    at = f"/records/{receiver.number}"
    assert f"TARN-002, record {donor.number} (rebuild)" in client.get(f"{at}/bench?at=donor").text

    answer = client.post(
        f"{at}/donor",
        data={"donor_record_id": donor.number, "version": receiver.record.version, "at": "donor"},
    )

    assert answer.status_code == 303
    bench = client.get(f"{at}/bench?at=putting-on").text
    assert f'name="part_id" value="{mea}"' in bench
    assert f"from TARN-002, record {donor.number}" in bench
    for number, words in ((receiver.number, "Taken from"), (donor.number, "Given to")):
        assert words in client.get(f"/records/{number}").text
    again = calling(Role.BUILDER).post(
        f"/api/v1/records/{receiver.number}/entries/donor",
        json={"donor_record_id": donor.number, "done_at": lab.now.isoformat()},
    )
    assert again.status_code == 422
    assert "named here already" in again.text


def split(lab: Lab, parent: Bench, serial: str) -> Bench:
    """Split a stack off; the bench of its first build."""
    return Bench(lab, parent.do(split_off, serial=serial, done_at=lab.now))


@pytest.mark.both_engines
@pytest.mark.parametrize("kind", [RecordKind.REBUILD, RecordKind.TEARDOWN])
def test_case_07_a_stack_split_in_two_keeps_its_lineage_and_each_part_its_hours(
    engine: Engine, kind: RecordKind
) -> None:
    """Closed again it goes on with its next build; taken apart it is dismantled."""
    lab = a_lab(engine)
    parent = lab.begin(kind)
    mea = down_to_an_mea(parent)

    child = split(lab, parent, "TARN-001-A")
    split(lab, parent, "TARN-001-B")

    label = next(x.label for x in parent.pile.base if x.part == mea)
    assert offered(child)[mea] == f"TARN-001, record {parent.number}"
    if kind is RecordKind.REBUILD:
        parent.do(close_stack, closed_at=lab.now)
    else:
        parent.lift(count=len(parent.pile.layers))
    parent.do(hand_in)
    child.do(put_on, end=End.FREE, part_id=mea, facing="free end")
    child.do(close_stack, closed_at=lab.now)
    child.do(hand_in)

    with reading(engine) as session:
        rows = {row.serial: row for row in stack_list(session).rows}
        lines = lineage(session, lab.stack_id)
        (origin,) = lineage(session, child.record.stack_id)
        hours = part_hours(session, [mea])[mea]
    goes_on = kind is RecordKind.REBUILD
    assert rows["TARN-001"].state == ("not released" if goes_on else "dismantled")
    assert rows["TARN-001"].build_number == (2 if goes_on else 1)
    assert (rows["TARN-001-A"].build_number, rows["TARN-001-A"].hours.hours.hours) == (1, 0.0)
    assert hours.total.hours == 20.0
    assert origin == Split("TARN-001", 1, is_origin=True)
    assert lines == (
        Split("TARN-001-A", 1, is_origin=False),
        Split("TARN-001-B", 1, is_origin=False),
    )
    assert [(each.stack, each.given, each.parts) for each in moved(lab, child.number)] == [
        ("TARN-001", False, (label,))
    ]
    with (
        pytest.raises(DBAPIError, match="what it was split from"),
        engine.begin() as connection,
    ):
        connection.execute(
            update(Stack).where(Stack.serial == "TARN-001-A").values(origin_build_id=None)
        )


def test_case_07_a_closed_stack_and_a_serial_in_use_are_not_split(engine: Engine) -> None:
    lab = a_lab(engine)
    parent = lab.begin()
    with pytest.raises(Refused, match="the stack is not opened yet"):
        split(lab, parent, "TARN-001-A")
    down_to_an_mea(parent)
    with pytest.raises(Refused, match="there is a stack TARN-001 already"):
        split(lab, parent, "tarn-001")
    parent.do(close_stack, closed_at=lab.now)
    with pytest.raises(Refused, match="closed"):
        split(lab, parent, "TARN-001-A")


def test_case_07_page_and_api_split_a_stack_and_show_what_came_of_it(
    app: Any, signed_in_client: Callable[..., Any], calling: Callable[..., Any]
) -> None:
    lab = a_lab(app.state.engine)
    parent = lab.begin()
    down_to_an_mea(parent)
    client = signed_in_client(Role.BUILDER)
    at = f"/records/{parent.number}"
    assert f'href="{at}/split"' in client.get(at).text
    assert "Each part keeps its own hours." in client.get(f"{at}/split").text

    wrong = client.post(f"{at}/split", data={"serial": "", "version": parent.record.version})
    made = client.post(
        f"{at}/split",
        data={"serial": "TARN-001-A", "place": "bench 2", "version": parent.record.version},
    )
    by_machine = calling(Role.BUILDER).post(
        f"/api/v1/records/{parent.number}/splits", json={"serial": "TARN-001-B"}
    )

    assert (wrong.status_code, made.status_code, by_machine.status_code) == (422, 303, 201)
    assert made.headers["location"] == f"/records/{parent.number + 1}/bench"
    sheet = client.get("/stacks/TARN-001").text
    assert "Split into" in sheet
    assert 'href="/stacks/TARN-001-B"' in sheet
    assert "Split from" in client.get("/stacks/TARN-001-A").text
    told = calling(Role.BUILDER).get("/api/v1/stacks/TARN-001-A/layers").json()["lineage"]
    assert told == [{"serial": "TARN-001", "build_number": 1, "is_origin": True}]
