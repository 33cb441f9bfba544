"""The pages of stacks: list, sheet, two builds compared, hour meter, new and changed ones."""

import re
from collections.abc import Callable
from datetime import timedelta
from html import unescape
from typing import Any

import pytest
from sqlalchemy import select, update
from sqlalchemy.orm import Session

from service.people.tables import Role
from service.stacks.tables import Build, Layer, Stack
from service.store.tables import Hold
from tests import builders
from tests.builders import FIRST_CLOSING, START
from tests.found_by_index import read_whole
from tests.stacks.test_part_lives import a_finding, part_at

DAY = timedelta(days=1)
Clients = Callable[..., Any]


@pytest.fixture
def lab(app: Any) -> str:
    """A stack of three cells, rebuilt once, not approved since; and a stack without a build."""
    with Session(app.state.engine) as session:
        stack = builders.a_stack(session, serial="TEL-4", cells=3)
        builders.a_build(session, stack, hours=310, approved=False)
        builders.an_hour_reading(session, stack, 402, FIRST_CLOSING + 50 * DAY)
        builders.a_stack(session, serial="TEL/9 #1")
        session.commit()
        return str(stack.serial)


def words(html: str) -> str:
    """The text of a page, without its tags."""
    return re.sub(r"\s+", " ", unescape(re.sub(r"<[^>]+>", " ", html)))


def test_stacks_are_listed_with_their_state_in_words(signed_in_client: Clients, lab: str) -> None:
    """State, present build, last approved one, cells and hours."""
    answer = signed_in_client("builder").get("/stacks")

    assert answer.status_code == 200
    row = words(answer.text).partition("TEL-4")[2]
    assert row.startswith(" not released 2 1 3 402")
    assert "no build yet" in answer.text
    assert 'href="/stacks/TEL/9%20%231"' in answer.text


def test_the_list_is_filtered_and_says_when_nothing_fits(
    signed_in_client: Clients, lab: str
) -> None:
    """By text and by state."""
    client = signed_in_client("builder")

    assert "TEL-4" not in client.get("/stacks?state=no+build+yet").text
    assert "TEL-4" in client.get("/stacks?text=tel-4").text
    assert "No stack fits this" in client.get("/stacks?text=nothing").text
    assert client.get("/stacks?state=flying&design=x").status_code == 422


def test_an_empty_laboratory_says_how_to_begin(signed_in_client: Clients) -> None:
    """What belongs there, and the way to it."""
    page = signed_in_client("builder").get("/stacks").text

    assert "No stacks yet" in page
    assert 'href="/designs"' in page


def test_the_sheet_shows_drawing_table_rods_hours_and_title_block(
    signed_in_client: Clients, lab: str
) -> None:
    """All of it on one page, the same content drawn and listed."""
    page = signed_in_client("builder").get("/stacks/TEL-4").text

    assert page.count('class="layer"') == 23
    assert page.count('id="layer-') == 23
    assert "Rods and final torque" in page
    assert "Target 9" in words(page)
    assert "402" in page
    assert "not approved" in page
    assert "style=" not in page
    assert "<style" not in page
    assert "/records/new?stack=TEL-4" in page


def test_the_sheet_shows_an_earlier_build_a_date_and_a_day(
    signed_in_client: Clients, lab: str
) -> None:
    """By number, by minute, by day; while it stood open, that is said."""
    client = signed_in_client("builder")
    opened = FIRST_CLOSING + 30 * DAY - timedelta(hours=2)

    assert "build 1" in words(client.get("/stacks/TEL-4?build=1").text)
    assert "build 1, on 2026-02-20 12:00" in client.get("/stacks/TEL-4?on=2026-02-20T12:00").text
    assert "build 1, on 2026-02-02 23:59" in client.get("/stacks/TEL-4?on=2026-02-02").text
    stood_open = client.get(f"/stacks/TEL-4?on={opened:%Y-%m-%d+%H:%M}").text
    assert "On that date the stack stood open" in stood_open
    assert "had not been built yet" in client.get("/stacks/TEL-4?on=2025-01-01").text
    assert "Nothing was known" in client.get("/stacks/TEL-4?known_at=2025-01-01").text


@pytest.mark.parametrize(
    ("query", "status", "says"),
    [
        ("on=tomorrow", 422, "is not a date and time"),
        ("on=2026-13-40", 422, "is not a date"),
        ("build=one", 422, "is not a whole number"),
        ("build=1&on=2026-02-20", 422, "Ask for a build or for a date"),
        ("build=9", 404, "There is no build"),
        ("build=-1", 422, "out of range"),
    ],
)
def test_what_cannot_be_shown_is_said_in_words(
    signed_in_client: Clients, lab: str, query: str, status: int, says: str
) -> None:
    """And what was typed stays in the field."""
    answer = signed_in_client("builder").get(f"/stacks/TEL-4?{query}")

    assert answer.status_code == status
    assert says in answer.text


def test_a_stack_nobody_knows_is_not_found(signed_in_client: Clients, lab: str) -> None:
    """With a page, not a fault."""
    assert signed_in_client("builder").get("/stacks/NONE").status_code == 404
    assert signed_in_client("builder", name="Ann").get("/stacks/tel-4").status_code == 200


def test_serials_are_shown_as_typed_and_never_as_markup(
    app: Any, signed_in_client: Clients
) -> None:
    """Whatever a serial or a lot says, it is text."""
    evil = '<b onclick="x">&'
    with Session(app.state.engine) as session:
        types = builders.the_part_types(session)
        lot = builders.a_lot(session, types.mea, label=evil)
        mea = builders.a_part(session, types.mea, serial=evil + "1", lot=lot)
        stack = builders.a_stack(session, serial=evil)
        builders.a_build(session, stack, laid=builders.a_pile(session, stack, 1, meas=[mea]))
        session.commit()
        part_id = mea.id
    client = signed_in_client("builder")

    for address in ("/stacks", f"/stacks/{evil.replace('&', '%26')}", f"/parts/{part_id}"):
        page = client.get(address)
        assert page.status_code == 200
        assert "<b onclick" not in page.text


def test_a_held_part_shows_on_the_sheet(app: Any, signed_in_client: Clients, lab: str) -> None:
    """Fitted and on hold is possible, and shows at the head and in the table."""
    with Session(app.state.engine) as session:
        stack_id = session.scalar(select(Stack.id).where(Stack.serial == "TEL-4"))
        part_id = session.scalar(select(Layer.part_id).where(Layer.present, Layer.position == 6))
        session.execute(
            update(builders.Part)
            .where(builders.Part.id == part_id)
            .values(whereabouts="fitted", stack_id=stack_id)
        )
        session.add(
            Hold(
                part_id=part_id,
                reason="pinhole suspected",
                placed_by_id=builders.a_person(session, Role.QUALITY).id,
                placed_at=START,
            )
        )
        session.commit()
    client = signed_in_client("builder")
    page = client.get("/stacks/TEL-4").text

    assert "Fitted and on hold" in page
    assert "pinhole suspected" in page
    assert "on hold" in page.partition('id="layer-6"')[2].partition("</tr>")[0]
    assert "1 hold" in client.get("/stacks").text


def test_a_stack_that_lies_open_says_so_above_its_last_build(
    app: Any, signed_in_client: Clients, lab: str
) -> None:
    """The record being written tells the rest."""
    with Session(app.state.engine) as session:
        stack = session.scalars(select(Stack).where(Stack.serial == "TEL-4")).one()
        base = session.scalars(select(Build).where(Build.number == 2)).one()
        record = builders.a_record(session, stack, base=base)
        record.opened_at = FIRST_CLOSING + 60 * DAY
        session.commit()
        number = record.id
    page = words(signed_in_client("builder").get("/stacks/TEL-4").text)

    assert "The stack lies open since 2026-04-03 14:20" in page
    assert f"record {number} is being written" in page
    assert "Shown is build 2, as it was before." in page
    assert "Begin a record" not in page


def test_two_builds_stand_side_by_side_with_numbered_changes(
    signed_in_client: Clients, lab: str
) -> None:
    """Ten gaskets out, ten in; a revision triangle for each run of changes in both drawings."""
    client = signed_in_client("builder")

    page = client.get("/stacks/TEL-4/compare").text

    assert "10 out, 10 in, 0 moved, 0 turned" in words(page)
    assert page.count('class="layer"') == 46
    assert len(set(re.findall(r'id="([^"]+)"', page))) == len(re.findall(r' id="([^"]+)"', page))
    same = client.get("/stacks/TEL-4/compare?from=1&to=1").text
    assert "alike, layer for layer" in same
    assert "Two builds are needed" in client.get("/stacks/TEL%2F9%20%231/compare").text
    assert client.get("/stacks/TEL-4/compare?from=1&to=7").status_code == 404


def test_a_hundred_cells_break_the_drawing_and_open_on_a_press(
    app: Any, signed_in_client: Clients
) -> None:
    """The table always holds every layer."""
    with Session(app.state.engine) as session:
        builders.a_stack(session, serial="BIG", cells=40)
        session.commit()
    client = signed_in_client("builder")

    broken = client.get("/stacks/BIG").text
    whole = client.get("/stacks/BIG?whole=yes").text

    assert broken.count('id="layer-') == whole.count('id="layer-') == 245
    assert broken.count('class="layer"') < 100
    assert whole.count('class="layer"') == 245
    assert "?whole=yes#map" in broken
    assert client.get("/stacks/BIG?equal=yes").text.count("All layers drawn equally wide") == 1


def test_a_sheet_takes_as_many_statements_for_two_cells_as_for_thirty(
    app: Any, signed_in_client: Clients, statements: Callable[[], Any]
) -> None:
    """Never a query in a loop."""
    with Session(app.state.engine) as session:
        for serial, cells in (("SMALL", 2), ("LARGE", 30)):
            stack = builders.a_stack(session, serial=serial, cells=cells)
            builders.a_build(session, stack, hours=100)
        session.commit()
    client = signed_in_client("builder")
    counted = {}
    for address in (
        "/stacks/SMALL",
        "/stacks/LARGE",
        "/stacks/SMALL/compare",
        "/stacks/LARGE/compare",
    ):
        with statements() as seen:
            assert client.get(address).status_code == 200
        counted[address] = len(seen)

    assert counted["/stacks/SMALL"] == counted["/stacks/LARGE"]
    assert counted["/stacks/SMALL/compare"] == counted["/stacks/LARGE/compare"]


def test_a_sheet_finds_its_rows_by_index(
    app: Any, signed_in_client: Clients, lab: str, statements: Callable[..., Any]
) -> None:
    """Whatever else lies in the database costs nothing."""
    client = signed_in_client("builder")
    with statements() as seen:
        assert client.get(f"/stacks/{lab}").status_code == 200

    assert len(seen) > 20
    assert read_whole(app.state.engine, seen) == []


def test_a_list_takes_as_many_statements_for_one_stack_as_for_ten(
    app: Any, signed_in_client: Clients, statements: Callable[[], Any]
) -> None:
    """However many stacks."""
    client = signed_in_client("builder")
    counted = []
    for _ in range(2):
        with Session(app.state.engine) as session:
            for _ in range(5):
                builders.a_stack(session, cells=1)
            session.commit()
        with statements() as seen:
            client.get("/stacks")
        counted.append(len(seen))

    assert counted[0] == counted[1]


# Adding and changing


def test_a_stack_is_added_with_its_meter(app: Any, signed_in_client: Clients) -> None:
    """And then it has a sheet which says what comes next."""
    with Session(app.state.engine) as session:
        design_id = builders.a_design(session).id
        session.commit()
    client = signed_in_client("builder")

    answer = client.post(
        "/stacks/new",
        data={"serial": " TEL 12/A ", "design_id": design_id, "meter_hours": "12,5"},
    )

    assert answer.status_code == 303
    page = client.get(answer.headers["location"])
    assert page.status_code == 200
    assert "Not built yet" in page.text
    again = client.post("/stacks/new", data={"serial": "tel 12/a", "design_id": design_id})
    assert again.status_code == 422
    assert "there is a stack TEL 12/A already" in again.text
    assert 'value="tel 12/a"' in again.text


def test_a_stack_cannot_bear_the_name_of_a_page(app: Any, signed_in_client: Clients) -> None:
    with Session(app.state.engine) as session:
        design = builders.a_design(session)
        session.commit()
        design_id = design.id
    client = signed_in_client("builder")

    answer = client.post("/stacks/new", data={"serial": " New", "design_id": str(design_id)})

    assert answer.status_code == 422
    assert "The mark on the stack would be right." in answer.text


def test_place_and_notes_are_changed_and_a_stale_page_is_told(
    signed_in_client: Clients, lab: str
) -> None:
    """The second to save is told what changed and loses nothing typed."""
    client = signed_in_client("builder")
    seen = {"place_seen": "bench 1", "notes_seen": ""}

    first = client.post("/stacks/TEL-4/edit", data={"place": "bench 2", "notes": "", **seen})
    second = client.post("/stacks/TEL-4/edit", data={"place": "bench 3", "notes": "n", **seen})

    assert first.status_code == 303
    assert second.status_code == 409
    assert "bench 2" in second.text
    assert 'value="bench 3"' in second.text
    kept = re.findall(r'name="place_seen" value="([^"]*)"', second.text)
    assert kept == ["bench 2"]
    assert "bench 2" in client.get("/stacks/TEL-4").text


def test_the_hour_meter_is_read_and_replaced_on_its_page(
    signed_in_client: Clients, lab: str
) -> None:
    """A falling reading is refused beside its field; the right one is taken."""
    client = signed_in_client("builder")
    right = {"hours": "450", "taken_at": "2026-04-01 10:00"}

    falling = client.post("/stacks/TEL-4/hours", data={**right, "hours": "100"})
    taken = client.post("/stacks/TEL-4/hours", data=right)
    replaced = client.post(
        "/stacks/TEL-4/hour-meter",
        data={
            "last_hours": "460",
            "first_hours": "0",
            "replaced_at": "2026-04-02 10:00",
            "reason": "display dead",
        },
    )

    assert falling.status_code == 422
    assert "already showed 402 h" in falling.text
    assert 'value="100"' in falling.text
    assert (taken.status_code, replaced.status_code) == (303, 303)
    page = words(client.get("/stacks/TEL-4/hours").text)
    assert "460.0 h at the newest reading" in page
    assert "2026-04-02 10:00 still fitted" in page


def test_an_entry_sent_twice_is_made_once(signed_in_client: Clients, lab: str) -> None:
    """A flaky network repeats; the second gets the first answer."""
    client = signed_in_client("builder")
    entry = {"hours": "450", "taken_at": "2026-04-01 10:00", "entry_key": "one-key"}

    first = client.post("/stacks/TEL-4/hours", data=entry)
    second = client.post("/stacks/TEL-4/hours", data=entry)

    assert first.headers["location"] == second.headers["location"] == "/stacks/TEL-4/hours"
    assert client.get("/stacks/TEL-4/hours").text.count("<td>in operation</td>") == 2


def test_another_entry_under_a_used_key_is_not_lost(
    app: Any, signed_in_client: Clients, lab: str
) -> None:
    """Sent again with other values it is shown again, and taken under the key it then has."""
    client = signed_in_client("builder")
    entry = {"hours": "450", "taken_at": "2026-04-01 10:00", "entry_key": "one-key"}
    client.post("/stacks/TEL-4/hours", data=entry)
    changed = entry | {"hours": "455", "taken_at": "2026-04-02 10:00"}

    shown = client.post("/stacks/TEL-4/hours", data=changed)
    fresh = re.search(r'name="entry_key" value="(\w+)"', shown.text)
    assert fresh is not None
    taken = client.post("/stacks/TEL-4/hours", data=changed | {"entry_key": fresh[1]})

    assert shown.status_code == 422
    assert "“one-key”: it was sent before with other values" in words(shown.text)
    assert 'value="455"' in shown.text
    assert "one-key" not in fresh[1]
    assert taken.status_code == 303
    assert "455.0 h at the newest reading" in words(client.get("/stacks/TEL-4/hours").text)


def test_who_may_not_write_sees_no_buttons(signed_in_client: Clients, lab: str) -> None:
    """An admin without another role reads only."""
    client = signed_in_client("admin")

    page = client.get("/stacks/TEL-4").text
    refused = client.post(
        "/stacks/TEL-4/hours", data={"hours": "1", "taken_at": "2026-04-01 10:00"}
    )

    assert "Begin a record" not in page
    assert "Place and notes" not in page
    assert refused.status_code == 403


def test_a_record_changed_underneath_shows_as_broken(
    app: Any, signed_in_client: Clients, lab: str
) -> None:
    """The content of the shown build's record is compared with its hash."""
    client = signed_in_client("builder")
    before = words(client.get("/stacks/TEL-4").text)
    with Session(app.state.engine) as session:
        build = session.scalars(select(Build).where(Build.number == 2)).one()
        a_finding(session, build.record_id, part_at(session, build, 6), "pinhole")
        session.commit()

    after = words(client.get("/stacks/TEL-4").text)

    assert "intact" in before
    assert "broken the content in the database is no longer what was handed in" in after
    assert "intact" in words(client.get("/stacks/TEL-4?build=1").text)
