"""The pages of what is kept beside the records: parts, types, lots, designs, instruments, holds."""

import re
from collections.abc import Callable
from html import unescape
from io import BytesIO
from typing import Any

import pytest
from PIL import Image
from sqlalchemy import select
from sqlalchemy.orm import Session

from service.designs.tables import Design
from service.platform.arithmetic.vocabulary import Usability, Whereabouts
from service.records.tables import RebuildRecord
from service.store.arithmetic.make_safe import DEFAULT_LINES
from service.store.tables import Lot, Part, PartType
from tests import builders

Clients = Callable[..., Any]
EVERY_PAGE = (
    "/part-types", "/part-types?kind=MEA", "/part-types/1", "/part-types/new",
    "/part-types/new?from=1", "/part-types/1/edit",
    "/lots", "/lots?part_type=1&held=yes", "/lots/1", "/lots/new", "/lots/1/edit",
    "/parts", "/parts?items=yes&usability=on+hold", "/parts?whereabouts=fitted&kind=MEA",
    "/parts/new", "/parts/new?part_type=1", "/parts/1/edit", "/parts/1/move", "/parts/1/judge",
    "/parts/1/reserve", "/parts/1/attachments", "/records/1/attachments",
    "/holds", "/holds?lifted=yes", "/holds/new?part=1", "/holds/new?lot=1",
    "/holds/new?instrument=1", "/holds/concessions/new?part=1",
    "/instruments", "/instruments?withdrawn=yes", "/instruments/1", "/instruments/1/edit",
    "/instruments/new",
    "/designs", "/designs/1", "/designs/new", "/designs/new?from=1", "/designs/1/edit",
    "/import/parts", "/import/stack",
)  # fmt: skip
NOWHERE = (
    "/part-types/999", "/lots/999", "/parts/999/move", "/parts/999/attachments", "/holds/999",
    "/holds/new", "/holds/new?part=1&lot=1", "/holds/new?part=999", "/instruments/999",
    "/designs/999", "/attachments/999", "/records/999/attachments", "/import/parts/nothing",
    "/import/stack/" + "x" * 32, "/part-types/one",
)  # fmt: skip
STRANGE = (
    "/parts?kind=cheese", "/parts?part_type=x&page=y", "/lots?page=after:-3", "/parts?usability=1",
    "/instruments?kind=hammer", "/part-types?kind=%F0%9F%A7%80", "/part-types/new?from=x",
    "/parts?begins_with=" + "x" * 500, "/parts?page=after:99999999999999999999",
)  # fmt: skip


@pytest.fixture
def lab(app: Any) -> None:
    """A stack of one cell, parts in store, a lot, an instrument."""
    with Session(app.state.engine) as session:
        types = builders.the_part_types(session)
        builders.a_stack(session, serial="TARN-1", cells=1)
        builders.a_part(session, types.mea, serial="N-1")
        builders.a_lot(session, types.gas_gasket, label="G-9", quantity=40)
        session.commit()


def words(html: str) -> str:
    """The text of a page, without its tags."""
    return re.sub(r"\s+", " ", unescape(re.sub(r"<[^>]+>", " ", html)))


def one(app: Any, table: Any, *conditions: Any) -> Any:
    with Session(app.state.engine) as session:
        return session.scalars(select(table).where(*conditions)).one()


@pytest.mark.usefixtures("lab")
def test_every_page_answers_those_who_work_and_nobody_else(
    signed_in_client: Clients, client: Any
) -> None:
    everybody = signed_in_client("builder", "quality", "supervisor")

    for address in EVERY_PAGE:
        answer = everybody.get(address)
        assert answer.status_code == 200, address
        assert "<h1>" in answer.text, address
        assert "style=" not in answer.text, address
        sent_away = client.get(address)
        assert sent_away.status_code == 303, address
        assert sent_away.headers["location"].startswith("/sign-in"), address


@pytest.mark.usefixtures("lab")
def test_what_is_not_there_is_not_found_and_strange_filters_say_so(
    signed_in_client: Clients,
) -> None:
    client = signed_in_client("quality")

    for address in NOWHERE:
        assert client.get(address).status_code == 404, address
    for address in STRANGE:
        assert client.get(address).status_code in {200, 422}, address


@pytest.mark.usefixtures("lab")
@pytest.mark.parametrize(
    "address",
    ["/part-types/new", "/parts/new", "/designs/new", "/instruments/new", "/holds/new?part=1"],
)
def test_pages_that_write_ask_for_leave(signed_in_client: Clients, address: str) -> None:
    assert signed_in_client("admin").get(address).status_code == 403
    assert signed_in_client("admin").post(address, data={"reason": "x"}).status_code in {403, 422}


def test_empty_lists_say_what_belongs_there(signed_in_client: Clients) -> None:
    client = signed_in_client("quality")

    for address, said in (
        ("/parts", "No parts yet"),
        ("/part-types", "No part types yet"),
        ("/lots", "No lots yet"),
        ("/holds", "No hold stands"),
        ("/instruments", "No instruments yet"),
        ("/designs", "No designs yet"),
        ("/parts/new", "there is none yet"),
        ("/lots/new", "there is none yet"),
    ):
        assert said in words(client.get(address).text), address


def test_a_part_type_is_made_and_a_refusal_keeps_what_was_typed(
    signed_in_client: Clients, app: Any
) -> None:
    client = signed_in_client("builder")
    typed = {
        "kind": "half plate", "name": "Plate & co", "drawing_number": "TF-1", "revision": "A",
        "material": "graphite", "thickness_mm": "2,75", "back": "flush", "marked_face": "gas side",
    }  # fmt: skip

    refused = client.post("/part-types/new", data=typed)
    assert refused.status_code == 422
    assert "a half plate meets one gas" in words(refused.text).casefold()
    assert 'value="Plate &amp; co"' in refused.text
    assert 'value="2,75"' in refused.text
    made = client.post("/part-types/new", data=typed | {"side": "air"})

    assert made.status_code == 303
    row = one(app, PartType)
    assert (row.thickness_mm, row.side, made.headers["location"]) == (
        2.75,
        "air",
        f"/part-types/{row.id}",
    )


def test_a_form_sent_twice_makes_its_part_once(signed_in_client: Clients, app: Any) -> None:
    with Session(app.state.engine) as session:
        mea = builders.the_part_types(session).mea.id
        session.commit()
    client = signed_in_client("builder")
    typed = {
        "part_type": str(mea),
        "serial": "N-7",
        "whereabouts": "in store",
        "entry_key": "k" * 32,
    }

    first = client.post("/parts/new", data=typed)
    again = client.post("/parts/new", data=typed)

    assert first.status_code == again.status_code == 303
    assert first.headers["location"] == again.headers["location"]
    assert one(app, Part).usability is Usability.NOT_INSPECTED
    taken = client.post("/parts/new", data=typed | {"entry_key": "j" * 32, "serial": " n-7 "})
    assert taken.status_code == 422
    assert "has a part “N-7” already" in words(taken.text)


@pytest.mark.usefixtures("lab")
def test_a_part_goes_its_way_by_the_pages(signed_in_client: Clients, app: Any) -> None:
    client = signed_in_client("quality")
    key = one(app, Part, Part.serial == "N-1").id

    for address, typed in (
        ("move", {"whereabouts": "away", "place": "Beck Ltd", "reason": "to be measured"}),
        ("reserve", {"stack": "1", "reason": "cell 1"}),
        ("judge", {"usability": "rejected", "reason": "pinhole"}),
        ("move", {"whereabouts": "scrapped", "reason": "pinhole"}),
        ("move", {"whereabouts": "in store", "reason": "N-2 it was", "reversal": "yes"}),
        ("edit", {"serial": "N-1b", "hours_before": "12.5", "notes": "", "reason": "misread"}),
    ):
        answer = client.post(f"/parts/{key}/{address}", data=typed)
        assert answer.status_code == 303, (address, words(answer.text))
        assert answer.headers["location"] == f"/parts/{key}"

    part = one(app, Part, Part.id == key)
    assert (part.serial, part.whereabouts, part.usability, part.hours_before) == (
        "N-1b",
        Whereabouts.IN_STORE,
        Usability.NOT_INSPECTED,
        12.5,
    )
    refused = client.post(f"/parts/{key}/move", data={"whereabouts": "fitted", "reason": "so"})
    assert refused.status_code == 422
    assert "only a rebuild record" in words(refused.text).casefold()


@pytest.mark.usefixtures("lab")
def test_a_hold_on_a_lot_shows_on_it_and_is_lifted(signed_in_client: Clients, app: Any) -> None:
    client = signed_in_client("quality")
    lot = one(app, Lot, Lot.label == "G-9").id

    placed = client.post(f"/holds/new?lot={lot}", data={"reason": "flash <at> the bead"})
    assert placed.status_code == 303
    seen = client.get(f"/lots/{lot}").text
    assert "flash &lt;at&gt; the bead" in seen
    assert "On hold: must not be used" in seen
    assert "G-9" in client.get("/holds").text
    assert "G-9" in client.get("/lots?held=yes").text
    client.post(f"/holds/concessions/new?lot={lot}", data={"reason": "training build"})
    assert "training build" in client.get(f"/lots/{lot}").text
    lifted = client.post(placed.headers["location"] + "/lift", data={"reason": "sorted out"})

    assert lifted.status_code == 303
    assert "On hold: must not be used" not in client.get(f"/lots/{lot}").text
    assert "sorted out" in client.get("/holds?lifted=yes").text


@pytest.mark.usefixtures("lab")
def test_a_calibration_out_of_tolerance_lists_the_readings_it_doubts(
    signed_in_client: Clients,
) -> None:
    client = signed_in_client("quality")
    typed = {"done_at": "2026-03-07", "due_at": "2027-03-07", "certificate": "C-77",
             "result": "out of tolerance as found", "error_percent": "-6,5"}  # fmt: skip

    wrong = client.post("/instruments/1/calibrations", data=typed | {"due_at": "2026-03-01"})
    assert wrong.status_code == 422
    assert 'value="C-77"' in wrong.text
    before = client.post("/instruments/1/calibrations", data=typed)
    assert before.status_code == 200, "what follows is shown first"
    (shown,) = re.findall(r'name="seen" value="([^"]+)"', before.text)
    answer = client.post("/instruments/1/calibrations", data=typed | {"seen": shown})
    assert answer.status_code == 303

    seen = words(client.get("/instruments/1").text)
    assert "found out of tolerance" in seen
    (link,) = set(re.findall(r"/instruments/1/uses/[1-9]\d*", client.get("/instruments/1").text))
    page = client.get(link).text
    assert '<details class="folded"' in page, "what is signed is whole on paper"
    sheet = words(page)
    assert "rod 1 pass 1, closing" in sheet
    assert "Sign the judgement" in sheet
    wrong = client.post(f"{link}/judge", data={"decision": "hold", "reason": "", "build_id": "1"})
    assert wrong.status_code == 422


@pytest.mark.usefixtures("lab")
def test_an_instrument_says_how_closely_it_measures(signed_in_client: Clients) -> None:
    """What is usual for its kind counts until somebody says it; nonsense is refused in place."""
    client = signed_in_client("quality")
    assert "not given: as is usual for its kind" in words(client.get("/instruments/1").text)
    typed = {"kind": "torque driver", "tool": "click", "label": "TD-1", "range_least": "2",
             "range_most": "20", "unit": "N·m", "in_use": "yes",
             "reason": "its certificate"}  # fmt: skip

    wrong = client.post(
        "/instruments/1/edit", data=typed | {"accuracy_percent": "400", "resolution": "0,1"}
    )
    assert wrong.status_code == 422
    assert 'id="wrong-accuracy_percent"' in wrong.text
    assert "0 to 50\u2009%" in wrong.text
    assert 'value="0,1"' in wrong.text
    step = client.post("/instruments/1/edit", data=typed | {"resolution": "30"})
    assert "at most 20\u2009N·m, its whole range" in step.text
    made = client.post(
        "/instruments/1/edit", data=typed | {"accuracy_percent": "4", "resolution": "0,1"}
    )

    assert made.status_code == 303
    seen = words(client.get("/instruments/1").text)
    assert "± 4 % of the reading, greatest deviation" in seen
    assert "0.1 N·m" in seen


@pytest.mark.usefixtures("lab")
def test_a_measured_thickness_is_shown_with_what_is_striking(
    signed_in_client: Clients, app: Any
) -> None:
    client = signed_in_client("builder")
    key = one(app, Part, Part.serial == "N-1").id
    typed = {"serial": "N-1", "hours_before": "0", "notes": "", "reason": "measured"}
    assert "not measured" in words(client.get(f"/parts/{key}").text)

    wrong = client.post(f"/parts/{key}/edit", data=typed | {"measured_thickness_mm": "480"})
    assert wrong.status_code == 422
    assert "480 µm would be 0.48 mm" in wrong.text
    assert 'value="480"' in wrong.text
    client.post(f"/parts/{key}/edit", data=typed | {"measured_thickness_mm": "0,35"})

    seen = words(client.get(f"/parts/{key}").text)
    assert "0.35 mm 30 % less than the 0.5 mm of its type." in seen
    assert 'value="0.35"' in client.get(f"/parts/{key}/edit").text


def test_a_new_design_begins_without_a_checklist_and_more_rows_keep_what_was_typed(
    signed_in_client: Clients, app: Any
) -> None:
    client = signed_in_client("quality")
    begun = client.get("/designs/new").text
    assert not any(line.wording in unescape(begun) for line in DEFAULT_LINES)
    assert 'href="/make-safe"' in begun
    typed: dict[str, str] = {
        "name": "Tarn 50", "revision": "A", "active_area_cm2": "50", "least_cells": "1",
        "most_cells": "20", "cooling": "every cell", "plate_width_mm": "100",
        "plate_height_mm": "100", "rod_length_mm": "200", "target_torque_nm": "5,5",
        "torque_tolerance_percent": "6", "tightening_passes": "3",
        "rod_rows": "4", "rod_1_x_mm": "-40", "rod_1_y_mm": "0", "rod_1_turn": "1",
        "rod_3_x_mm": "40", "rod_3_y_mm": "0", "rod_3_turn": "1",
        "port_rows": "2", "port_1_label": "fuel in", "port_1_fluid": "fuel",
        "port_1_end": "fixed end", "line_rows": "1", "line_1_wording": "Load off.",
    }  # fmt: skip

    more = client.post("/designs/new", data=typed | {"more": "rod"})
    assert more.status_code == 200
    assert 'name="rod_8_turn"' in more.text
    assert 'value="5,5"' in more.text
    refused = client.post("/designs/new", data=typed)
    assert refused.status_code == 422
    assert 'id="wrong-rod_2_turn"' in refused.text  # the empty row was closed up
    made = client.post("/designs/new", data=typed | {"rod_3_turn": "2"})

    assert made.status_code == 303
    key = one(app, Design).id
    shown = client.get(f"/designs/{key}")
    assert "<svg" in shown.text
    assert "Load off." in shown.text
    revised = client.get(f"/designs/new?from={key}").text
    assert 'value="Tarn 50"' in revised
    changed = client.post(
        f"/designs/{key}/edit", data=typed | {"rod_3_turn": "2", "cooling": "none", "reason": "so"}
    )
    assert changed.status_code == 303
    assert one(app, Design).cooling == "none"


def a_photo() -> bytes:
    made = BytesIO()
    Image.new("RGB", (60, 40), (40, 120, 80)).save(made, "JPEG")
    return made.getvalue()


@pytest.mark.usefixtures("lab")
def test_a_photo_is_attached_shown_small_and_given_back_as_it_was(
    signed_in_client: Clients, app: Any
) -> None:
    client, photo = signed_in_client("builder"), a_photo()
    files = [("files", ("seal.exe", photo, "image/jpeg")), ("files", ("b.png", b"no", "image/png"))]

    refused = client.post("/parts/1/attachments", data={}, files=files)
    assert refused.status_code == 422
    assert "b.png" in refused.text
    added = client.post("/parts/1/attachments", data={}, files=files[:1])
    assert added.status_code == 303
    listed = client.get("/parts/1/attachments").text
    address = re.search(r'href="(/attachments/\d+)"', listed)
    assert address
    given = client.get(address[1])
    small = client.get(address[1] + "/small")

    assert given.content == photo
    assert given.headers["content-type"] == "image/jpeg"
    assert given.headers["x-content-type-options"] == "nosniff"
    assert given.headers["content-security-policy"].startswith("default-src 'none'; sandbox")
    assert given.headers["content-disposition"] == 'inline; filename="seal.exe.jpg"'
    assert "immutable" in given.headers["cache-control"]
    assert small.headers["content-type"] == "image/webp"
    kept = client.get(address[1], headers={"If-None-Match": given.headers["etag"]})
    assert kept.status_code == 304
    off = client.post(address[1] + "/remove", data={"reason": "another part"})
    assert off.status_code == 303
    assert address[1] not in client.get("/parts/1/attachments").text


@pytest.mark.usefixtures("lab")
def test_a_paper_is_given_to_be_kept_and_a_record_handed_in_takes_none(
    signed_in_client: Clients, app: Any
) -> None:
    client = signed_in_client("builder")
    with Session(app.state.engine) as session:
        stack = builders.a_stack(session)
        record_id = builders.a_record(session, stack).id
        handed_in = session.scalars(
            select(RebuildRecord.id).where(RebuildRecord.id != record_id)
        ).first()
        session.commit()
    pdf = b"%PDF-1.7\n1 0 obj<</Type/Catalog>>endobj\nstartxref\n9\n%%EOF\n"
    files = [("files", ("certificate", pdf, "text/html"))]

    assert client.post(f"/records/{record_id}/attachments", files=files).status_code == 303
    address = re.search(
        r'href="(/attachments/\d+)"', client.get(f"/records/{record_id}/attachments").text
    )
    assert address
    given = client.get(address[1])
    assert given.headers["content-type"] == "application/pdf"
    assert given.headers["content-disposition"] == 'attachment; filename="certificate.pdf"'
    late = client.post(f"/records/{handed_in}/attachments", files=files)
    assert late.status_code == 422
    assert "stays as it is" in words(client.get(f"/records/{handed_in}/attachments").text)


@pytest.mark.usefixtures("lab")
@pytest.mark.parametrize(
    "address", ["/parts?items=yes", "/lots", "/lots/1", "/part-types/1", "/instruments/1", "/holds"]
)
def test_the_statements_of_a_page_do_not_grow_with_what_it_shows(
    signed_in_client: Clients, app: Any, statements: Any, address: str
) -> None:
    client = signed_in_client("quality")

    def counted() -> int:
        with statements() as seen:
            assert client.get(address).status_code == 200
        return len(seen)

    few = counted()
    with Session(app.state.engine) as session:
        types = builders.the_part_types(session)
        for _ in range(3):
            builders.a_stack(session, cells=2)
        for _ in range(12):
            builders.a_part(session, types.mea)
            builders.a_lot(session, types.gas_gasket)
        session.commit()

    assert counted() == few
