"""A part without a readable serial: held, identified by two people, and taken back."""

import json
import re
from collections.abc import Callable
from datetime import timedelta
from typing import Any

import pytest
from sqlalchemy import Engine, select
from sqlalchemy.exc import IntegrityError
from sqlalchemy.orm import Session

from service.bench.changes.bench import undo_last
from service.bench.changes.identities import propose_identity
from service.bench.changes.layers import lift_off, put_on
from service.bench.changes.proposals import approve_proposal
from service.bench.tables import Correction
from service.life.arithmetic.grounds import MeaWord
from service.life.changes.failing_marks import confirm_failing, withdraw_failing
from service.life.tables import FailingMark
from service.people.tables import Role
from service.platform.arithmetic.vocabulary import End, Usability, Whereabouts
from service.platform.database import changing, reading
from service.platform.errors import NotAllowed, Refused
from service.platform.tables import AuditEntry
from service.stacks.queries.layer_maps import layer_map
from service.stacks.queries.part_hours import part_hours
from service.stacks.queries.part_lives import part_life
from service.stacks.tables import Layer
from service.store.changes.holds import Subject, give_concession, lift_hold, place_hold
from service.store.changes.identities import add_unread
from service.store.queries.scans import A_PART, resolve
from service.store.tables import Hold, Part, ProposedChange
from tests import builders
from tests.bench.at_the_bench import SEEN_NOTHING, a_lab, known
from tests.bench.corrections.test_corrections import Desk, a_desk, the_mea
from tests.bench.test_bench_pages import rows
from tests.bench.test_stack_in import TWO_CELLS, TakenOver, lab
from tests.platform.test_photos import a_photo
from tests.proposing import put_in_force

__all__ = ["lab"]
SUSPECTED: dict[str, Any] = {"says": MeaWord.SUSPECTED, "grounds": ()}
SEEN = "scratched label, blue dot"


def unread(desk: Desk, kind: str = "mea") -> int:
    """A part of which nobody can read the serial."""
    type_id = desk.lab.rows(lambda s: getattr(builders.the_part_types(s), kind).id)
    part_id: int = desk.lab.do(add_unread, part_type_id=type_id, seen=SEEN)
    return part_id


def sat_unread(desk: Desk, cell: int = 1) -> int:
    """The MEA of a cell of both builds, as if nobody could ever read its serial."""

    def make(session: Session) -> int:
        layer = session.scalars(select(Layer).where(Layer.cell == cell)).all()
        part = next(
            part
            for each in layer
            if (part := session.get_one(Part, each.part_id)).part_type_id
            == builders.the_part_types(session).mea.id
        )
        hold = Hold(
            part_id=part.id,
            usability_before=Usability.NOT_INSPECTED,
            reason=f"No readable serial: {SEEN}",
            placed_by_id=desk.proposer.id,
            placed_at=builders.FIRST_CLOSING,
        )
        part.temporary_number, part.usability = 7, Usability.ON_HOLD
        session.add(hold)
        return part.id

    part_id: int = desk.lab.rows(make)
    return part_id


def identify(desk: Desk, part_id: int, right_id: int | None) -> int:
    proposal: int = desk.lab.do(
        propose_identity, part_id, right_id, reason="found its bag", by=desk.proposer
    )
    desk.lab.now += timedelta(minutes=1)
    put_in_force(desk.lab.engine, proposal, desk.lab.now)
    desk.lab.now += timedelta(minutes=1)
    return proposal


def hours_of(desk: Desk, part_id: int) -> float:
    with reading(desk.lab.engine) as session:
        return part_hours(session, [part_id])[part_id].total.hours


@pytest.fixture
def desk(engine: Engine) -> Desk:
    return a_desk(engine)


@pytest.mark.both_engines
def test_case_19_a_part_without_a_serial_is_named_by_the_program_and_held(desk: Desk) -> None:
    first, second = unread(desk), unread(desk, "fuel_plate")

    parts = desk.lab.get(Part, first), desk.lab.get(Part, second)
    assert [part.serial for part in parts] == ["TEMP-1", "TEMP-2"]
    assert {part.usability for part in parts} == {Usability.ON_HOLD}
    assert parts[0].notes == f"Seen: {SEEN}"
    with reading(desk.lab.engine) as session:
        hold_id = session.scalars(select(Hold.id).where(Hold.part_id == first)).one()
    with pytest.raises(Refused, match="not identified"):
        desk.lab.do(lift_hold, hold_id, reason="looks fine", by=desk.decider)
    with Session(desk.lab.engine) as session:
        session.get_one(Part, first).usability = Usability.ACCEPTED
        with pytest.raises(IntegrityError, match="not_identified_is_held"):
            session.commit()


def test_case_19_nothing_said_of_it_is_refused(desk: Desk) -> None:
    with pytest.raises(Refused, match="seen"):
        desk.lab.do(add_unread, part_type_id=1, seen=" ")


def test_case_19_it_is_used_under_a_concession_only(engine: Engine) -> None:
    lab = a_lab(engine)
    bench = lab.begin()
    bench.open()
    bench.lift(count=2)
    plate_type = lab.rows(lambda s: builders.the_part_types(s).collector_channelled.id)
    plate = lab.do(add_unread, part_type_id=plate_type, seen=SEEN)

    with pytest.raises(Refused, match="on hold"):
        bench.do(put_on, end=End.FREE, scanned="TEMP-1")
    quality = lab.rows(lambda s: known(s, builders.a_person(s, Role.QUALITY)))
    lab.do(give_concession, Subject(plate), reason="bench trial", by=quality)
    bench.do(put_on, end=End.FREE, scanned="TEMP-1")

    assert lab.get(Part, plate).whereabouts is Whereabouts.FITTED


@pytest.mark.both_engines
def test_case_19_its_life_becomes_that_of_the_right_part(desk: Desk) -> None:
    temporary, right = sat_unread(desk), desk.spare(serial="N-77")
    ran = hours_of(desk, temporary)
    hold = desk.lab.do(place_hold, Subject(temporary), reason="low voltage", by=desk.proposer)
    desk.lab.do(
        confirm_failing,
        temporary,
        failed_at=builders.FIRST_CLOSING,
        reason="below its neighbours",
        by=desk.decider,
        **SUSPECTED,
    )
    with reading(desk.lab.engine) as session:
        before = part_life(session, temporary)

    proposal = identify(desk, temporary, right.id)

    with reading(desk.lab.engine) as session:
        life = part_life(session, right.id)
        assert [s.build_number for s in life.sittings] == [1, 2]
        assert not part_life(session, temporary).sittings
        assert len(life.findings) == len(before.findings)
        assert life.events == before.events
        standing = [each.reason for each in life.holds if each.lifted_at is None]
        assert "low voltage" in standing
        assert not any("No readable serial" in reason for reason in standing)
        then = layer_map(session, desk.lab.stack_id, build_number=2, known_at=before_it(desk))
        assert temporary in {layer.part for layer in then.layers}
        (hit,) = resolve(session, desk.lab.get(Part, temporary).serial, among=A_PART).hits
        assert hit.id == right.id
        corrected = session.scalars(select(Correction.record_id)).all()
        entries = session.scalars(
            select(AuditEntry.id).where(AuditEntry.act == "part:identified")
        ).all()
    assert ran > 0
    assert hours_of(desk, right.id) == ran
    assert desk.lab.get(Part, right.id).whereabouts is Whereabouts.FITTED
    assert desk.lab.get(Hold, hold).part_id == right.id
    assert corrected == [desk.first]
    assert len(entries) == 1
    assert desk.all_hold()
    shown = json.loads(desk.lab.get(ProposedChange, proposal).changes)
    assert [f"hours of {right.serial}", "0.0 h", f"{ran:.1f} h"] in shown


def before_it(desk: Desk) -> Any:
    return desk.lab.now - timedelta(minutes=2)


@pytest.mark.both_engines
def test_case_19_a_merge_is_taken_back(desk: Desk) -> None:
    temporary, right = sat_unread(desk), desk.spare(serial="N-77")
    ran = hours_of(desk, temporary)
    desk.lab.do(place_hold, Subject(temporary), reason="low voltage", by=desk.proposer)
    identify(desk, temporary, right.id)

    identify(desk, temporary, None)

    with reading(desk.lab.engine) as session:
        life = part_life(session, temporary)
        assert [s.build_number for s in life.sittings] == [1, 2]
        of_right = part_life(session, right.id)
        assert not of_right.sittings
        assert not [hold for hold in of_right.holds if hold.lifted_at is None]
    part, put_back = desk.lab.get(Part, temporary), desk.lab.get(Part, right.id)
    assert (part.whereabouts, part.usability, part.is_part_id) == ("fitted", "on hold", None)
    assert (put_back.whereabouts, put_back.usability) == ("in store", "accepted")
    assert hours_of(desk, temporary) == ran
    assert desk.all_hold()
    assert len([h for h in life.holds if h.lifted_at is None]) == 2

    identify(desk, temporary, right.id)

    with reading(desk.lab.engine) as session:
        again = [h.reason for h in part_life(session, right.id).holds if h.lifted_at is None]
    assert again == ["low voltage"]


def test_case_19_the_word_that_it_fails_goes_along_and_comes_back(desk: Desk) -> None:
    temporary, right = sat_unread(desk), desk.spare(serial="N-77")
    said = {"failed_at": builders.FIRST_CLOSING, "reason": "below its neighbours", **SUSPECTED}
    desk.lab.do(confirm_failing, temporary, by=desk.decider, **said)

    identify(desk, temporary, right.id)
    with reading(desk.lab.engine) as session:
        assert failing_now(session) == [right.id]
    identify(desk, temporary, None)
    with reading(desk.lab.engine) as session:
        assert failing_now(session) == [temporary]

    desk.lab.do(withdraw_failing, temporary, reason="a tap was loose", by=desk.decider)
    with reading(desk.lab.engine) as session:
        standing = [h for h in part_life(session, temporary).holds if h.lifted_at is None]
    assert all("No readable serial" in hold.reason for hold in standing)


def failing_now(session: Session) -> list[int]:
    marks = select(FailingMark.part_id).where(FailingMark.withdrawn_at.is_(None))
    return list(session.scalars(marks))


def test_case_19_the_right_part_sat_elsewhere_at_the_same_time(desk: Desk) -> None:
    temporary = sat_unread(desk)
    other = the_mea(desk, cell=2).details.part_id

    with pytest.raises(Refused, match=r"was in build 1 of TARN-001, layer .* in one place only"):
        identify(desk, temporary, other)


def test_case_19_two_people_do_it(desk: Desk) -> None:
    temporary, right = sat_unread(desk), desk.spare(serial="N-77")
    proposal = desk.lab.do(
        propose_identity, temporary, right.id, reason="its bag", by=desk.proposer
    )
    row = desk.lab.get(ProposedChange, proposal)

    with (
        pytest.raises(NotAllowed),
        changing(desk.lab.engine, desk.proposer, now=desk.lab.now) as work,
    ):
        approve_proposal(
            work, proposal, content_sha256=row.content_sha256, password=builders.PASSWORD
        )


def test_case_19_what_changed_since_it_was_shown_is_proposed_anew(desk: Desk) -> None:
    temporary, right = sat_unread(desk), desk.spare(serial="N-77")
    proposal = desk.lab.do(
        propose_identity, temporary, right.id, reason="its bag", by=desk.proposer
    )
    desk.lab.do(place_hold, Subject(temporary), reason="low voltage", by=desk.proposer)
    with pytest.raises(Refused, match="something else would change"):
        put_in_force(desk.lab.engine, proposal, desk.lab.now)


def test_case_19_another_kind_is_refused(desk: Desk) -> None:
    with pytest.raises(Refused, match="it is a"):
        identify(desk, unread(desk), desk.spare("fuel_plate", serial="F-77").id)


def test_case_19_an_unused_one_takes_its_place_along(desk: Desk) -> None:
    temporary, right = unread(desk), desk.spare(serial="N-77")
    with Session(desk.lab.engine) as session:
        session.get_one(Part, temporary).place = "tray 4"
        session.commit()

    identify(desk, temporary, right.id)

    assert desk.lab.get(Part, right.id).place == "tray 4"


def test_case_19_lifted_off_unread_it_keeps_what_its_place_says_on_hold(engine: Engine) -> None:
    bench = a_lab(engine).begin()
    bench.open()
    outermost = bench.pile.pile.outermost(End.FREE)
    assert outermost is not None

    bench.do(lift_off, end=End.FREE, findings=SEEN_NOTHING, unread="label gone")

    with reading(engine) as session:
        life = part_life(session, outermost.part)
    assert [hold.reason for hold in life.holds] == [
        "No readable serial at lifting off, known by its place alone: label gone"
    ]
    assert bench.lab.get(Part, outermost.part).usability is Usability.ON_HOLD
    bench.do(undo_last)
    assert bench.lab.get(Part, outermost.part).usability is not Usability.ON_HOLD


def test_case_19_a_stack_taken_over_with_unread_parts(lab: TakenOver) -> None:
    listed = TWO_CELLS.replace("M-1;", "no serial;").replace("A-2;", "illegible;")

    lab.write(lab.look(listed, make_missing=True))

    with reading(lab.engine) as session:
        parts = session.scalars(
            select(Part).where(Part.temporary_number.is_not(None)).order_by(Part.id)
        ).all()
        assert [(part.serial, part.usability, part.whereabouts) for part in parts] == [
            ("TEMP-1", "on hold", "fitted"),
            ("TEMP-2", "on hold", "fitted"),
        ]
        assert len(session.scalars(select(Hold.id)).all()) == 2
    told = lab.look(TWO_CELLS.replace("M-1;LM-1", ";LM-1"), make_missing=True).wrong
    assert "“no serial”" in {wrong.line: wrong.said for wrong in told}[7]


def test_case_19_on_the_pages(app: Any, signed_in_client: Callable[..., Any]) -> None:
    def make(session: Session) -> int:
        mea = builders.the_part_types(session).mea
        builders.a_part(session, mea, serial="N-77")
        return mea.id

    type_id = rows(app, make)
    client = signed_in_client("builder")
    given = {"part_type": str(type_id), "seen": SEEN}
    assert "What is seen" in client.post("/parts/unread", data={"seen": ""}).text
    added = client.post(
        "/parts/unread", data=given, files={"photos": ("label.png", a_photo("PNG"), "image/png")}
    )
    address = added.headers["location"]
    shown = client.get(address).text
    assert "Temporary identity" in shown
    assert "label.png" in shown

    refused = client.post(f"{address}/identity", data={"serial": "N-78", "reason": "its bag"})
    assert refused.status_code == 422
    assert "no part bears it" in refused.text
    proposed = client.post(f"{address}/identity", data={"serial": "N-77", "reason": "its bag"})
    sheet = client.get(proposed.headers["location"]).text

    assert "what TEMP-1 is" in sheet
    quality = signed_in_client("quality")
    sha256 = re.search(
        r'name="content_sha256" value="(\w+)"', quality.get(proposed.headers["location"]).text
    )
    assert sha256 is not None
    quality.post(
        f"{proposed.headers['location']}/approve",
        data={"content_sha256": sha256[1], "password": builders.PASSWORD},
    )
    assert "identified as" in client.get(address).text
    assert "Propose to take it back" in client.get(f"{address}/identity").text
    assert "TEMP-1" not in client.get("/parts").text


def test_case_19_at_the_bench_and_back(app: Any, signed_in_client: Callable[..., Any]) -> None:
    type_id = rows(app, lambda s: builders.the_part_types(s).mea.id)
    client = signed_in_client("builder")
    then = {"record": "7", "at": "putting-on", "end": "free end"}

    added = client.post("/parts/unread", data={"part_type": type_id, "seen": SEEN, **then})

    assert added.headers["location"] == (
        "/records/7/bench?at=putting-on&end=free+end&scanned=TEMP-1"
    )


def test_case_19_by_machine(app: Any, calling: Callable[..., Any]) -> None:
    type_id = rows(app, lambda s: builders.the_part_types(s).mea.id)
    rows(app, lambda s: builders.a_part(s, builders.the_part_types(s).mea, serial="N-77").id)
    client = calling("builder")

    part_id = client.post(
        "/api/v1/parts/unread", json={"part_type_id": type_id, "seen": SEEN}
    ).json()["id"]
    address = f"/api/v1/parts/{part_id}/identity"
    proposed = client.post(address, json={"serial": "N-77", "reason": "its bag"})
    back = client.post(address, json={"serial": None, "reason": "not its bag"})

    assert proposed.status_code == 201
    assert back.status_code == 422
    assert "nobody said which part it is" in back.text
