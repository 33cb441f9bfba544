"""The bench page: one rebuild written through plain forms, and what happens when it is refused."""

import html
import io
import re
from collections.abc import Callable
from typing import Any

import pytest
from PIL import Image
from sqlalchemy import select
from sqlalchemy.orm import Session

from service.platform.arithmetic.vocabulary import Usability, Whereabouts
from service.platform.tables import Attachment
from service.records.tables import Finding, RebuildRecord, RecordState, Step, TorqueReading
from service.store.tables import Lot, Part, PartType
from tests import builders

HTMX = {"hx-request": "true"}


class AtTheBench:
    """A builder's browser with one record open, sending what the page's forms would send."""

    def __init__(self, app: Any, client: Any, number: int) -> None:
        self.app, self.client, self.number = app, client, number

    @property
    def version(self) -> int:
        """The record's version as a freshly loaded page shows it."""
        with Session(self.app.state.engine) as session:
            return session.get_one(RebuildRecord, self.number).version

    def page(self, **asked: str) -> str:
        """The bench at a place."""
        answer = self.client.get(f"/records/{self.number}/bench", params=asked)
        assert answer.status_code == 200
        return str(answer.text)

    def post(self, entry: str, **typed: Any) -> Any:
        """Send one form, at the version a freshly loaded page shows."""
        headers = typed.pop("headers", None)
        files = typed.pop("files", None)
        given = {"version": self.version, "end": "free end", **typed}
        url = f"/records/{self.number}/{entry}"
        return self.client.post(url, data=given, headers=headers, files=files)

    def enter(self, entry: str, **typed: Any) -> Any:
        """Send one form that is taken."""
        answer = self.post(entry, **typed)
        assert answer.status_code == 303, re.findall(r'class="wrong[^>]*>([^<]*)', answer.text)
        return answer

    def next(self, **asked: str) -> str:
        """What the page says is next, in plain words."""
        words = re.search(r'<h2 class="next">(.*?)</h2>', self.page(**asked), re.DOTALL)
        assert words is not None
        plain = html.unescape(re.sub(r"<[^>]+>", "", words.group(1)))
        return re.sub(r"\s+", " ", plain).strip()

    def outermost(self) -> int:
        """The part the lifting form is about."""
        found = re.search(r'name="part_id" value="(\d+)"', self.page(at="lifting"))
        assert found is not None
        return int(found.group(1))

    def lift(self, **typed: Any) -> Any:
        """Lift the outermost layer off the free end."""
        given = {"part_id": self.outermost(), "condition": "none seen", **typed}
        return self.enter("lift", **given)

    def open(self) -> None:
        """By exception, hours unknown."""
        self.enter("exception", reason="a test")
        self.enter("open", hours_unknown_because="no display")


def rows(app: Any, make: Callable[[Session], Any]) -> Any:
    """Make rows with the builders."""
    with Session(app.state.engine, expire_on_commit=False) as session:
        made = make(session)
        session.commit()
        return made


def an_instrument(app: Any, label: str, kind: Any, unit: str, **more: Any) -> int:
    """One in calibration for years."""
    return int(
        rows(
            app,
            lambda s: builders.a_torque_instrument(
                s,
                label=label,
                kind=kind,
                unit=unit,
                due_at=builders.START.replace(year=2090),
                **more,
            ),
        ).id
    )


@pytest.fixture
def at_bench(app: Any, signed_in_client: Callable[..., Any]) -> Callable[..., AtTheBench]:
    """Begin a record of a stack with so many cells."""

    def begin(cells: int = 1, kind: str = "rebuild", serial: str = "TARN-001") -> AtTheBench:
        rows(app, lambda s: builders.a_stack(s, cells=cells, serial=serial, meter_hours=100.0))
        client = signed_in_client("builder", name=f"Mara Ilves {serial}")
        answer = client.post(
            "/records/new",
            data={
                "stack": serial,
                "kind": kind,
                "reason": "cell 1 is weak",
                "performed_from": "2026-03-01T08:00",
                "worked": client.person_id,
            },
        )
        assert answer.status_code == 303, answer.text
        return AtTheBench(app, client, int(answer.headers["location"].split("/")[2]))

    return begin


def test_a_rebuild_is_written_from_make_safe_to_hand_in_without_script(
    app: Any, at_bench: Callable[..., AtTheBench]
) -> None:
    kinds = builders.InstrumentKind
    detector = an_instrument(app, "GD-1", kinds.GAS_DETECTOR, "% vol")
    meter = an_instrument(app, "MM-1", kinds.MULTIMETER, "V")
    driver = an_instrument(app, "TD-9", kinds.TORQUE_DRIVER, "N·m")
    witness = rows(app, lambda s: builders.a_person(s, "builder", name="Ben Orr")).id
    bench = at_bench()
    assert bench.next().startswith("1 Load taken off")

    bench.enter("make-safe", line_number=1)
    assert bench.next().startswith("2 Anode side purged")
    offered = re.search(r'name="instrument_id".*?</select>', bench.page(at="make-safe"), re.DOTALL)
    assert offered
    assert re.findall(r'value="(\d+)"', offered[0]) == [str(detector)]
    wrong = bench.post("make-safe", line_number=2, reading="0,1", instrument_id=driver)
    assert wrong.status_code == 422
    assert "A gas detector or oxygen monitor would be right" in wrong.text
    bench.enter("make-safe", line_number=2, reading="0,1", instrument_id=detector)
    bench.enter("make-safe", line_number=3, reading="0.2", instrument_id=meter, witness_id=witness)
    page = bench.page()
    assert "Release the clamp" in page
    assert "conditions may have changed" in page
    bench.enter("open", hours="120.5")
    assert bench.next().startswith("Lift off the insulator plate")
    bench.lift()
    bench.lift()
    lifted = re.findall(r'name="part_id" value="(\d+)"', bench.page(at="putting-on"))
    assert len(lifted) == 2
    for part_id in lifted:  # the last lifted first
        bench.enter("put-on", part_id=part_id)
    for pass_number in (1, 2, 3):
        for rod in (1, 2, 3, 4):
            assert f"Pass {pass_number} of 3, nut {rod}" in bench.next(at="torque")
            bench.enter(
                "torque",
                stage="closing",
                kind="set",
                rod_number=rod,
                pass_number=pass_number,
                instrument_id=driver,
                entered=f"{3 * pass_number},0",
            )
    bench.enter("close", hours="120.5")
    assert bench.next() == "Ready to hand in."
    answer = bench.enter("hand-in")

    assert answer.headers["location"] == f"/records/{bench.number}"
    with Session(app.state.engine) as session:
        assert session.get_one(RebuildRecord, bench.number).state is RecordState.HANDED_IN
        torques = session.scalars(
            select(TorqueReading.torque_nm).where(TorqueReading.record_id == bench.number)
        ).all()
    assert sorted(torques) == [3.0] * 4 + [6.0] * 4 + [9.0] * 4
    gone = bench.client.get(f"/records/{bench.number}/bench")
    assert (gone.status_code, gone.headers["location"]) == (303, f"/records/{bench.number}")


def test_htmx_gets_the_bench_alone_and_the_next_thing_in_it(
    at_bench: Callable[..., AtTheBench],
) -> None:
    bench = at_bench()

    answer = bench.post("make-safe", line_number=1, headers=HTMX)

    assert answer.status_code == 200
    assert answer.text.lstrip().startswith('<div id="bench">')
    assert "make-safe line 1 recorded" in answer.text
    assert "Anode side purged" in answer.text
    assert "<html" not in answer.text


def test_a_refused_entry_keeps_what_was_typed_and_says_what_would_be_right(
    at_bench: Callable[..., AtTheBench],
) -> None:
    bench = at_bench()

    for headers in ({}, HTMX):
        answer = bench.post("make-safe", line_number=2, reading="0.9", note="warm", headers=headers)
        assert answer.status_code == 422
        assert 'value="0.9"' in answer.text
        assert "warm</textarea>" in answer.text
        assert "at most 0.4 % vol" in answer.text
    assert bench.version == 1


def test_a_stale_page_says_what_changed_and_can_be_sent_again_as_it_is(
    app: Any, at_bench: Callable[..., AtTheBench]
) -> None:
    bench = at_bench()
    seen = bench.version
    bench.enter("exception", reason="somebody was quicker")

    answer = bench.post("exception", version=seen, reason="typed with gloves on")

    assert answer.status_code == 409
    assert "exception to make-safe recorded by Mara Ilves" in answer.text
    assert "typed with gloves on</textarea>" in answer.text
    again = re.search(r'id="entry".*?name="version" value="(\d+)"', answer.text, re.DOTALL)
    assert again is not None
    bench.enter("exception", version=again.group(1), reason="typed with gloves on")
    with Session(app.state.engine) as session:
        notes = session.scalars(select(Step.note).where(Step.record_id == bench.number)).all()
    assert notes == ["somebody was quicker", "typed with gloves on"]


def test_an_entry_sent_twice_is_made_once(app: Any, at_bench: Callable[..., AtTheBench]) -> None:
    bench = at_bench()
    typed = {"reason": "a flaky network", "entry_key": "k" * 32, "version": bench.version}

    first, second = bench.post("exception", **typed), bench.post("exception", **typed)

    assert (first.status_code, second.status_code) == (303, 303)
    assert first.headers["location"] == second.headers["location"]
    with Session(app.state.engine) as session:
        made = session.scalars(select(Step.id).where(Step.record_id == bench.number)).all()
    assert len(made) == 1


def test_the_way_a_part_lies_is_asked_where_it_matters(
    app: Any, at_bench: Callable[..., AtTheBench]
) -> None:
    bench = at_bench()
    bench.open()
    plate = rows(
        app,
        lambda s: builders.a_part(s, builders.the_part_types(s).fuel_plate, serial="TEL-F-1"),
    )

    asked = bench.post("put-on", scanned="tel-f-1")
    assert asked.status_code == 422
    assert "Which way does it lie?" in asked.text
    assert 'name="scanned" value="tel-f-1"' in asked.text
    assert re.findall(r'name="facing" value="([^"]+)"', asked.text) == ["fixed end", "free end"]
    bench.enter("put-on", scanned="tel-f-1", part_id="", lot_id="", facing="fixed end")

    with Session(app.state.engine) as session:
        assert session.get_one(Part, plate.id).whereabouts is Whereabouts.FITTED


def test_of_several_parts_with_one_serial_the_one_that_lies_here_is_pressed(
    app: Any, at_bench: Callable[..., AtTheBench]
) -> None:
    bench = at_bench()
    bench.open()

    def two(session: Session) -> Part:
        types = builders.the_part_types(session)
        builders.a_part(session, types.mea_directional, serial="0012")
        return builders.a_part(session, types.mea, serial="0012")

    wanted = rows(app, two)
    asked = bench.post("put-on", scanned="0012")
    assert "Which one lies here?" in asked.text
    buttons = re.findall(r'<button type="submit" name="part_id" value="(\d+)">MEA 0012', asked.text)
    assert str(wanted.id) in buttons
    assert len(buttons) == 2

    bench.enter("put-on", scanned="0012", part_id=wanted.id)

    with Session(app.state.engine) as session:
        step = session.scalars(select(Step).order_by(Step.id.desc())).first()
        assert step is not None
        assert (step.part_id, step.scanned) == (wanted.id, "0012")


def test_counted_items_are_pressed_by_their_lot(
    app: Any, at_bench: Callable[..., AtTheBench]
) -> None:
    bench = at_bench()
    bench.open()
    lot = rows(
        app,
        lambda s: builders.a_lot(
            s, builders.the_part_types(s).gas_gasket, label="G-31", quantity=2
        ),
    )
    assert "2 left" in bench.page(at="putting-on")

    bench.enter("put-on", lot_id=lot.id)
    assert "1 left" in bench.page(at="putting-on")
    bench.enter("put-on", lot_id=lot.id)

    assert (
        "G-31</span>"
        not in bench.page(at="putting-on").split("lifted off here")[0].split("or one item")[-1]
    )
    with Session(app.state.engine) as session:
        held = session.scalars(
            select(Part.whereabouts).join(Lot, Lot.id == Part.lot_id).where(Lot.id == lot.id)
        ).all()
    assert held == [Whereabouts.FITTED] * 2


def test_a_layer_is_lifted_with_findings_and_a_photo_in_one_entry(
    app: Any, at_bench: Callable[..., AtTheBench]
) -> None:
    bench = at_bench()
    bench.open()
    picture = io.BytesIO()
    Image.new("RGB", (40, 30), "green").save(picture, "JPEG")
    part_id = bench.outermost()

    bench.lift(
        condition=["cracked", "wet"],
        severity="2",
        where="port air in",
        face="face to the fixed end",
        places=["B1", "A1"],
        area_percent="4",
        files={"photos": ("crack.jpg", picture.getvalue(), "image/jpeg")},
    )

    with Session(app.state.engine) as session:
        seen = session.execute(
            select(Finding.condition, Finding.severity, Finding.where).order_by(Finding.id)
        ).all()
        photo = session.scalars(select(Attachment)).one()
        finding = session.scalars(select(Finding).order_by(Finding.id)).first()
    assert seen == [("cracked", 2, "port air in"), ("wet", 2, "port air in")]
    assert finding is not None
    assert (finding.face, finding.places, finding.area_percent) == (
        "face to the fixed end",
        "A1 B1",
        4.0,
    )
    place = "face to the fixed end A1 B1, 4\u2009% of it; port air in"
    for sheet in (f"/records/{bench.number}", f"/parts/{part_id}"):
        assert place in bench.client.get(sheet).text
    assert (photo.record_id, photo.part_id) == (bench.number, part_id)


def test_a_file_that_is_no_photo_stops_the_whole_entry(
    app: Any, at_bench: Callable[..., AtTheBench]
) -> None:
    bench = at_bench()
    bench.open()
    before = bench.version

    answer = bench.post(
        "lift",
        part_id=bench.outermost(),
        condition="none seen",
        files={"photos": ("crack.jpg", b"not a picture", "image/jpeg")},
    )

    assert answer.status_code == 422
    assert "crack.jpg" in answer.text
    assert bench.version == before
    with Session(app.state.engine) as session:
        assert session.scalars(select(Attachment)).all() == []


def test_a_layer_lifted_meanwhile_by_somebody_else_is_not_lifted_twice(
    at_bench: Callable[..., AtTheBench],
) -> None:
    bench = at_bench()
    bench.open()
    stale_part = bench.outermost()
    bench.lift()

    answer = bench.post("lift", part_id=stale_part, condition="not inspected")

    assert answer.status_code == 422
    assert "is outermost at the free end" in answer.text


def test_undo_is_one_press_from_any_place(app: Any, at_bench: Callable[..., AtTheBench]) -> None:
    bench = at_bench()
    bench.open()
    bench.lift()
    assert "insulator plate" in re.sub(r"<[^>]+>", "", bench.page(at="torque")).split("Undo")[1]

    answer = bench.enter("undo", at="lifting")

    assert answer.headers["location"].endswith("bench?made=undone&at=lifting&end=free+end")
    assert bench.next(at="lifting").startswith("Lift off the insulator plate")
    stale = bench.post("undo", at="lifting", version=1)
    assert stale.status_code == 409
    assert "entry 3 undone: lifted off" in stale.text


def test_fixings_are_exchanged_and_fitted_from_a_lot(
    app: Any, at_bench: Callable[..., AtTheBench]
) -> None:
    bench = at_bench()
    bench.open()
    nuts = rows(
        app, lambda s: builders.a_lot(s, builders.the_part_types(s).nut, label="N-9", quantity=9)
    )
    rod = rows(app, lambda s: builders.a_part(s, builders.the_part_types(s).tie_rod, serial="R-9"))
    page = bench.page(at="fixings-off")
    old = re.search(r'name="part_ids" value="(\d+)"[^<]*><label[^>]*>tie rod [^,]*, rod 2<', page)
    assert old is not None

    taken = bench.post("fit-fixing", scanned="R-9", place="2")
    assert "is fitted there" in taken.text
    bench.enter("remove-fixings", part_ids=[old.group(1)])
    bench.enter("fit-fixing", scanned="R-9", place="2")
    bench.enter("fit-from-lot", lot_id=nuts.id, each="2", rod_numbers=["1", "3"])

    assert bench.page(at="fixings").count(">N-9 item") == 4
    with Session(app.state.engine) as session:
        assert session.get_one(Part, rod.id).whereabouts is Whereabouts.FITTED


def test_a_torque_of_another_unit_is_challenged_and_kept_as_typed(
    app: Any, at_bench: Callable[..., AtTheBench]
) -> None:
    bench = at_bench(kind="re-torque")
    driver = an_instrument(app, "TD-W", builders.InstrumentKind.TORQUE_DRIVER, "N·m")
    given = {
        "stage": "closing",
        "kind": "residual",
        "rod_number": 1,
        "pass_number": 1,
        "instrument_id": driver,
    }

    refused = bench.post("torque", entered="80", **given)
    assert refused.status_code == 422
    assert 'value="80"' in refused.text
    bench.enter("torque", entered="79.7 in-lbf", **given)

    assert "9.00" in bench.page(at="torque")
    record = bench.client.get(f"/records/{bench.number}").text
    assert "typed 79.7 in-lbf" in record


@pytest.mark.parametrize(
    ("entry", "typed", "words"),
    [
        ("make-safe", {"line_number": "x"}, "is not a whole number"),
        ("open", {"hours": "many"}, "is not a number"),
        ("open", {"hours": "1", "opened_at": "yesterday"}, "is not a date and time"),
        ("lift", {"part_id": "1", "end": "left"}, "is not one of the choices"),
        ("lift", {"part_id": "", "condition": "none seen"}, "has to be given"),
        ("lift-several", {"part_id": "1", "condition": "wet"}, "is not one of the choices"),
        ("finding", {"part_id": "1", "condition": "wet", "severity": "9"}, "out of range"),
        ("put-on", {"scanned": "(99999)x", "facing": "up"}, "is not one of the choices"),
        ("fit-fixing", {"scanned": "x", "place": "nowhere"}, "not opened yet"),
        ("fit-from-lot", {"lot_id": "1", "each": "0"}, "out of range"),
        ("remove-fixings", {"part_ids": "all"}, "is not one of the choices"),
        ("torque", {"stage": "later", "rod_number": "1"}, "is not one of the choices"),
        ("close", {"closed_at": "2026-13-01T00:00"}, "is not a date and time"),
        ("undo", {"at": "nowhere"}, "no entry left to undo"),
        ("hand-in", {}, "The closing is not recorded"),
    ],
)
def test_nonsense_is_refused_with_words_and_never_breaks(
    at_bench: Callable[..., AtTheBench], entry: str, typed: dict[str, Any], words: str
) -> None:
    bench = at_bench()

    for headers in ({}, HTMX):
        answer = bench.post(entry, headers=headers, **typed)
        assert answer.status_code == 422
        assert words in answer.text
    assert bench.version == 1


def test_the_cautions_stand_where_they_apply(at_bench: Callable[..., AtTheBench]) -> None:
    bench = at_bench()
    bench.open()

    for place, topic in (
        ("exception", "Hydrogen"),
        ("lifting", "Graphite and membranes"),
        ("putting-on", "Graphite and membranes"),
        ("torque", "Stored clamp energy"),
        ("closing", "Test pressure"),
    ):
        page = bench.page(at=place)
        assert f"Caution: {topic}" in page, place
        assert "site’s procedures and local codes" in page
        assert not re.search(r"\b(is|are|was|now) safe\b", page)


def test_only_people_who_write_records_see_the_bench(
    at_bench: Callable[..., AtTheBench], signed_in_client: Callable[..., Any]
) -> None:
    bench = at_bench()
    admin = signed_in_client("admin")

    assert admin.get(f"/records/{bench.number}/bench").status_code == 403
    url = f"/records/{bench.number}/exception"
    assert admin.post(url, data={"version": 1, "reason": "curious"}).status_code == 403
    assert admin.get(f"/records/{bench.number}").status_code == 200


def test_the_bench_asks_as_many_questions_of_a_high_stack_as_of_a_low_one(
    at_bench: Callable[..., AtTheBench], statements: Callable[[], Any]
) -> None:
    low, high = at_bench(1, serial="TARN-001"), at_bench(30, serial="TARN-030")
    counted = []

    for bench in (low, high):
        bench.open()
        bench.lift()
        seen = {}
        for place in ("lifting", "putting-on", "torque", "fixings", "handing-in"):
            bench.page(at=place)
            with statements() as made:
                bench.page(at=place)
            seen[place] = len(made)
        counted.append(seen)

    assert counted[0] == counted[1]
    assert max(counted[0].values()) < 60


def test_a_part_not_accepted_is_refused_with_the_way_out(
    app: Any, at_bench: Callable[..., AtTheBench]
) -> None:
    bench = at_bench()
    bench.open()

    def held(session: Session) -> Part:
        mea = session.scalars(select(PartType).where(PartType.name == "mea")).one()
        return builders.a_part(session, mea, serial="M-X", usability=Usability.REJECTED)

    rows(app, held)
    answer = bench.post("put-on", scanned="M-X")

    assert answer.status_code == 422
    assert "It is rejected" in answer.text
    assert "or a concession for this one" in answer.text


def test_an_exception_leads_to_the_form_of_the_opening(
    at_bench: Callable[..., AtTheBench],
) -> None:
    bench = at_bench()
    assert "The checklist comes first" in bench.page(at="opening")

    bench.enter("exception", reason="a test")

    page = bench.page(at="opening")
    assert 'name="hours"' in page
    assert "Record the opening" in page
