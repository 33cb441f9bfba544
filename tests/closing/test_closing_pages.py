"""The closing on its pages: live at the bench, kept on the record, computed again beside it."""

import html
import re
from collections.abc import Callable
from datetime import timedelta
from hashlib import sha256
from typing import Any

import pytest
from sqlalchemy import select, text
from sqlalchemy.orm import Session

from service.bench.changes.handing_in import hand_in
from service.closing.changes.torque import read_torque
from service.operation.migrating import triggers
from service.people.tables import ApiToken, Role
from service.physics.arithmetic.part_stiffness import Stiff
from service.platform.arithmetic.vocabulary import ReadingKind, Stage
from service.platform.database import changing
from service.records.changes.deviations import Stands
from service.records.changes.rebuild_records import begin_record
from service.records.tables import RebuildRecord, RecordKind
from service.stacks.tables import Stack
from tests import builders
from tests.bench.at_the_bench import known
from tests.bench.test_bench_pages import HTMX, AtTheBench, an_instrument, rows
from tests.closing.closings import give_stiffness, put_limits_in_force
from tests.found_by_index import read_whole

DRIVER = builders.InstrumentKind.TORQUE_DRIVER


def plain(page: str) -> str:
    """A page without its marks, thin spaces as spaces."""
    return re.sub(r"\s+", " ", html.unescape(re.sub(r"<[^>]+>", " ", page)))


def live(page: str) -> str:
    """What the bench says is computed."""
    found = re.search(r'<section class="live".*?</section>', page, re.DOTALL)
    return plain(found.group(0)) if found else ""


class AtTheClamp(AtTheBench):
    """A builder's browser with one record open and a torque driver at hand."""

    driver = 0

    def read(self, rod: int, torque: str, number: int = 3, **typed: Any) -> Any:
        """Enter one closing reading; with headers whatever is answered is given."""
        given = {
            "stage": "closing",
            "kind": "set",
            "rod_number": rod,
            "pass_number": number,
            "instrument_id": self.driver,
            "entered": torque,
            **typed,
        }
        return self.post("torque", **given) if typed else self.enter("torque", **given)

    def hand_in(self) -> None:
        """Read every nut in the last pass, close, hand in with a reason for what is left out."""
        for rod, torque in enumerate(("9.1", "8.8", "9.2", "8.9"), 1):
            self.read(rod, torque)
        self.enter("close")
        left_out = re.findall(r'<textarea id="(not_done\.[^"]+)"', self.page(at="handing-in"))
        self.enter("hand-in", **dict.fromkeys(left_out, "the rig is booked for the night"))


@pytest.fixture
def at_bench(app: Any, signed_in_client: Callable[..., Any]) -> AtTheClamp:
    """A record of a stack of two cells, opened, its clamp known; nothing lifted."""

    def make(session: Session) -> None:
        give_stiffness(
            session,
            insulator_plate=Stiff(3.0, 200.0, 6e-5),
            collector_flush=Stiff(expansion_1_k=17e-6),
            collector_channelled=Stiff(expansion_1_k=17e-6),
            compression_plate=Stiff(expansion_1_k=23e-6),
        )
        design = builders.a_design(session)
        design.rod_length_mm = 118.0
        session.flush()
        builders.a_stack(session, cells=2, serial="TARN-001", design=design, meter_hours=100.0)
        put_limits_in_force(session, design.id)

    rows(app, make)
    client = signed_in_client("builder", name="Mara Ilves")
    about = {"stack": "TARN-001", "kind": "rebuild", "reason": "cell 2 is weak"}
    begun = {**about, "performed_from": "2026-03-01T08:00", "worked": client.person_id}
    answer = client.post("/records/new", data=begun)
    bench = AtTheClamp(app, client, int(answer.headers["location"].split("/")[2]))
    bench.driver = an_instrument(app, "TD-9", DRIVER, "N·m")
    bench.open()
    return bench


def test_values_appear_as_readings_come_in(at_bench: AtTheClamp) -> None:
    """Of the nuts read so far what they say; the closed state once every nut is read."""
    assert "0 of 4 nuts read" in live(at_bench.page(at="torque", stage="closing"))

    at_bench.read(1, "9.1")
    first = live(at_bench.page(at="torque", stage="closing"))
    for rod, torque in ((2, "8.6"), (3, "9.2"), (4, "8.8")):
        at_bench.read(rod, torque)
    page = at_bench.page(at="torque", stage="closing")
    whole = live(page)

    assert "1 of 4 nuts read" in first
    assert "share of proof load" in first
    assert "GDL pressure, mean" not in first
    assert "closed state: 1 of 4 nuts read" in first
    assert "4 of 4 nuts read" in whole
    assert re.search(r"GDL pressure, mean of the cells \d\.\d+ ± \d\.\d+ MPa", whole)
    assert re.search(r"gasket line load, mean of the cells \S+ ± \S+ N/mm", whole)
    assert re.search(r"bolt stress, rod 3 \S+ ± \S+ MPa", whole)
    assert re.search(r"thread protrusion \S+ ± \S+ mm", whole)
    assert "0.8 to 2.4 MPa, invented design note 3" in whole
    assert "evel" not in whole, "no corner was measured"
    assert "For a GDL pressure of 1.6 MPa, the middle of its limits:" in whole
    assert "Pressure on the active area from the last reading of each nut" in page


def test_the_part_answered_to_a_reading_carries_them(at_bench: AtTheClamp) -> None:
    for rod in (1, 2, 3):
        at_bench.read(rod, "9.0")

    answer = at_bench.read(4, "9.0", headers=HTMX)

    assert "<html" not in answer.text
    assert "4 of 4 nuts read" in live(answer.text)
    assert "GDL pressure, mean of the cells" in live(answer.text)


def test_the_stack_settles_as_long_as_its_design_says(at_bench: AtTheClamp, app: Any) -> None:
    """30 min where no figure is in force, the design's own where one is."""
    with Session(app.state.engine) as session:
        design_id = session.scalars(select(Stack.design_id)).first()
        put_limits_in_force(session, design_id or 0, settling_minutes=45.0)
        session.commit()
    for rod in (1, 2, 3, 4):
        at_bench.read(rod, "9.0")

    assert "Let the stack settle for 45 min" in plain(at_bench.page(at="torque", stage="closing"))


def test_limits_say_nothing_before_the_last_pass(at_bench: AtTheClamp) -> None:
    for rod in (1, 2, 3, 4):
        at_bench.read(rod, "3.0", 1)

    said = live(at_bench.page(at="torque", stage="closing"))

    assert "GDL pressure, mean of the cells" in said
    assert "4 of 4 nuts read in pass 1 of 3" in said
    assert "Pass/fail and pressure map after pass 3." in said
    assert "limits together" not in said
    assert "Pressure on the active area" not in said
    assert not re.search(r"(pass|fail|undecided) [\d.]+ to", said)


def test_the_measured_height_stands_against_the_computed_one(
    at_bench: AtTheClamp, app: Any
) -> None:
    for rod in (1, 2, 3, 4):
        at_bench.read(rod, "9.0")
    gauge = an_instrument(app, "HG-1", builders.InstrumentKind.HEIGHT_GAUGE, "mm")
    at_bench.enter(
        "closing-check",
        check="closed height",
        reading_mm="69.1",
        instrument_id=gauge,
        note="the gauge was cold",
    )

    said = live(at_bench.page(at="closing"))

    assert "Closed height over both compression plates, pressed: measured 69.1 mm, computed" in said
    assert "outside what the computation leaves open" in said


def test_what_is_not_computed_is_said_with_its_reason(at_bench: AtTheClamp, app: Any) -> None:
    rows(app, lambda session: give_stiffness(session, gas_gasket=None))
    for rod in (1, 2, 3, 4):
        at_bench.read(rod, "9.0")

    page = at_bench.page(at="torque", stage="closing")

    assert "GDL pressure, mean" not in live(page)
    assert "gasket gas gasket: line load against squeeze" in live(page)
    assert re.search(r"<details[^>]*><summary>Not computed: \d", page)


def test_without_limits_the_nuts_are_counted_and_the_want_is_named(
    app: Any, at_bench: AtTheClamp, signed_in_client: Callable[..., Any]
) -> None:
    rows(app, lambda s: builders.a_stack(s, cells=1, serial="TARN-BARE", meter_hours=1.0))
    client = signed_in_client("builder")
    about = {"stack": "TARN-BARE", "kind": "rebuild", "reason": "no figures"}
    begun = {**about, "performed_from": "2026-03-01T08:00", "worked": client.person_id}
    answer = client.post("/records/new", data=begun)
    bare = AtTheClamp(app, client, int(answer.headers["location"].split("/")[2]))
    bare.driver = at_bench.driver
    bare.open()
    assert live(bare.page(at="torque", stage="closing")) == ""

    bare.read(1, "9.0")

    said = live(bare.page(at="torque", stage="closing"))
    assert "1 of 4 nuts read" in said
    assert "the design has no figures for it in force" in said


def test_nothing_is_computed_at_the_other_places(
    at_bench: AtTheClamp, statements: Callable[[], Any]
) -> None:
    """Scanning is not made slower by it."""
    for rod in (1, 2, 3, 4):
        at_bench.read(rod, "9.0")

    with statements() as seen:
        page = at_bench.page(at="putting-on")

    assert live(page) == ""
    assert not [one for one in seen if "limit_set" in str(one)]


def test_the_bench_and_its_driver_find_their_rows_by_index(
    app: Any, at_bench: AtTheClamp, statements: Callable[..., Any]
) -> None:
    """However many nuts the laboratory has read since it opened."""
    at_bench.read(1, "9.1")
    with statements() as seen:
        for place in ("torque", "closing", "tests"):
            at_bench.page(at=place)
        assert at_bench.client.get(f"/instruments/{at_bench.driver}").status_code == 200

    assert read_whole(app.state.engine, seen) == []


def test_the_live_values_take_a_constant_number_of_statements(
    at_bench: AtTheClamp, statements: Callable[[], Any]
) -> None:
    at_bench.read(1, "9.0")
    with statements() as one:
        at_bench.page(at="torque", stage="closing")
    for rod in (2, 3, 4):
        at_bench.read(rod, "9.0")
    with statements() as all_four:
        at_bench.page(at="torque", stage="closing")

    assert len(one) == len(all_four)


def test_record_and_approval_show_values_limits_and_verdicts(
    at_bench: AtTheClamp, signed_in_client: Callable[..., Any]
) -> None:
    at_bench.hand_in()
    client = signed_in_client("supervisor")

    for address in ("", "/approval"):
        page = client.get(f"/records/{at_bench.number}{address}").text
        words = plain(page)
        assert "Closing, computed at hand-in" in words
        assert re.search(
            r"GDL pressure, mean of the cells \S+ ± \S+ MPa 0.8 to 2.4 MPa pass", words
        )
        assert "invented design note 3" in words
        assert "Pressure on the active area from the last readings" in words
        assert f"/records/{at_bench.number}/closing" in page


def test_what_is_computed_again_stands_beside_what_was_kept(at_bench: AtTheClamp, app: Any) -> None:
    """Newer limits change the recomputation, not the record."""
    at_bench.hand_in()
    address = f"/records/{at_bench.number}/closing"
    before = at_bench.client.get(address).text
    record = at_bench.client.get(f"/records/{at_bench.number}").text

    rows(
        app,
        lambda s: put_limits_in_force(
            s, s.query(Stack).one().design_id, nut_factor=0.18, running_temperature_c=70.0
        ),
    )
    after = at_bench.client.get(address).text

    assert "Formulas, limits and rows are those of then." in before
    said = plain(after)
    assert "Kept by version 1 of the limits; version 2 is in force today." in said
    row = re.search(r"GDL pressure, mean of the cells (\S+) ± \S+ MPa (\S+) ± \S+ MPa (\S+)", said)
    assert row is not None
    kept, now, change = map(float, row.groups())
    assert now > kept
    assert change == pytest.approx(now - kept, abs=0.02)
    kept_hash = re.findall(r"[0-9a-f]{8}(?: [0-9a-f]{8}){7}", plain(before))
    assert kept_hash == re.findall(r"[0-9a-f]{8}(?: [0-9a-f]{8}){7}", plain(after))
    own = r'<h2 id="closing">.*?</h2>.*?What it was computed from'
    again = at_bench.client.get(f"/records/{at_bench.number}").text
    assert re.findall(own, record, re.DOTALL) == re.findall(own, again, re.DOTALL)


def test_the_inputs_are_listed(at_bench: AtTheClamp) -> None:
    at_bench.hand_in()

    said = plain(at_bench.client.get(f"/records/{at_bench.number}/closing").text)

    assert "MEA mea 2 0.5 mm densifying: modulus 3; limit 0.55; free thickness (mm) 0.45" in said
    assert re.search(r"1 3 set 9\.10 N·m 0 min TD-9 as is usual", said)
    assert "Nut factor 0.2" in said


def test_a_correction_since_is_said(at_bench: AtTheClamp, app: Any) -> None:
    """The recomputation takes what was kept; that rows say otherwise today is told."""
    at_bench.hand_in()
    rows(app, lambda session: give_stiffness(session, mea=None))

    said = plain(at_bench.client.get(f"/records/{at_bench.number}/closing").text)

    assert "were corrected or changed since it was computed" in said
    assert "GDL pressure, mean of the cells" in said


def test_a_result_changed_underneath_is_told_everywhere(at_bench: AtTheClamp, app: Any) -> None:
    at_bench.hand_in()
    with app.state.engine.begin() as connection:
        triggers().lift(connection)
        connection.execute(text("UPDATE closing_result SET results = '{}', inputs = 'x'"))

    for address in ("", "/closing", "/approval"):
        answer = at_bench.client.get(f"/records/{at_bench.number}{address}")
        assert answer.status_code == 200
        assert "can no longer be read" in plain(answer.text)
    assert "broken" in plain(at_bench.client.get(f"/records/{at_bench.number}").text)


def test_a_record_without_a_kept_result_is_computed_from_its_rows(
    at_bench: AtTheClamp,
) -> None:
    """The first build was handed in by nobody's hand: nothing was kept of it."""
    said = plain(at_bench.client.get("/records/1/closing").text)

    assert "Nothing was kept when this record was handed in" in said
    assert "GDL pressure, mean of the cells" in said


def test_a_re_torque_tells_what_each_nut_lost(app: Any, at_bench: AtTheClamp) -> None:
    at_bench.hand_in()
    with Session(app.state.engine) as session:
        builder = known(session, builders.a_person(session, Role.BUILDER))
        stack = session.query(Stack).one()
        session.commit()
        stack_id = stack.id
    engine = app.state.engine
    with Session(engine) as session:
        closed_at = session.get_one(RebuildRecord, at_bench.number).closed_at
    later = closed_at + timedelta(hours=2)
    with changing(engine, builder, now=later) as work:
        number = begin_record(
            work,
            stack_id=stack_id,
            kind=RecordKind.RE_TORQUE,
            reason="a day later",
            performed_from=later,
            people=(),
        )
    for rod, torque_nm in enumerate((8.2, 8.4, 8.5, 8.4), 1):
        with changing(engine, builder, now=later) as work:
            read_torque(
                work,
                number,
                None,
                rod_number=rod,
                pass_number=1,
                stage=Stage.CLOSING,
                kind=ReadingKind.SET,
                torque_nm=torque_nm,
                instrument_id=at_bench.driver,
                stands=Stands.STANDS,
                outside_because="as it had settled",
            )
    with changing(engine, builder, now=later) as work:
        hand_in(work, number, None)

    said = plain(at_bench.client.get(f"/records/{number}").text)

    assert "Preload change from closing to re-torque" in said
    assert re.search(r"1 9\.1 N·m 8\.2 N·m 120 min 9\.\d+ ± \S+ %", said)


def test_the_api_gives_kept_and_now(app: Any, at_bench: AtTheClamp) -> None:
    at_bench.hand_in()
    with Session(app.state.engine) as session:
        session.add(
            ApiToken(
                token_sha256=sha256(b"a token").hexdigest(),
                person_id=at_bench.client.person_id,
                label="for a test",
                made_at=builders.START,
                last_used_at=None,
                revoked_at=None,
            )
        )
        session.commit()
    headers = {"Authorization": "Bearer a token"}

    whole = at_bench.client.get(
        f"/api/v1/records/{at_bench.number}/closing", headers=headers
    ).json()
    record = at_bench.client.get(f"/api/v1/records/{at_bench.number}", headers=headers).json()
    first = at_bench.client.get("/api/v1/records/1/closing", headers=headers).json()

    assert whole["kept"]["results"] == {**whole["now"]}
    assert whole["kept"]["holds"] is True
    assert whole["kept"]["inputs"]["form"] == "closing 1"
    assert whole["why_again"] == []
    mean = next(one for one in record["closing"]["judged"] if one["of"] == "mean of the cells")
    assert (mean["quantity"], mean["unit"], mean["verdict"]) == ("GDL pressure", "MPa", "pass")
    assert (
        record["content"]["closing_result"]["results_sha256"]
        == (record["closing"]["results_sha256"])
    )
    assert first["kept"] is None
    assert first["now"]["rods_read"] == 4
    missing = at_bench.client.get("/api/v1/records/99/closing", headers=headers)
    assert missing.status_code == 404
