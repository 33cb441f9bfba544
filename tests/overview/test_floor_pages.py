"""The floor as a page: who is needed where, marked for whoever looks; the same on the wall."""

from collections.abc import Callable
from datetime import timedelta
from typing import Any

import pytest
from sqlalchemy import select
from sqlalchemy.orm import Session

from service.overview.pages.overview import WALL_NEEDS
from service.overview.queries.columns import KINDS
from service.people.tables import SignInSession
from service.stacks.tables import Build, Layer, Stack
from service.store.tables import Part
from tests import builders

Clients = Callable[..., Any]


@pytest.fixture
def lab(app: Any) -> dict[str, Any]:
    """A stack with a failing MEA, one whose record waits, one that needs nobody."""
    with Session(app.state.engine) as session:
        failing = builders.a_stack(session, cells=3, serial="TARN-1")
        waiting = builders.a_stack(session, serial="TARN-2")
        quiet = builders.a_stack(session, cells=2, serial="TARN-3")
        builders.a_build(session, waiting, cells=1, approved=False)
        for stack in (failing, waiting, quiet):
            built = session.scalars(select(Build).where(Build.stack_id == stack.id)).one()
            builders.a_release(session, built)
        mea = session.scalars(
            select(Part)
            .join(Layer, Layer.part_id == Part.id)
            .where(
                Part.stack_id == failing.id,
                Layer.cell == 2,
                Part.part_type_id == builders.the_part_types(session).mea.id,
            )
        ).one()
        builders.a_failing_mark(session, mea.id)
        session.commit()
        return {"mea": mea.id, "serial": mea.serial}


def test_those_who_need_somebody_stand_first_with_a_way_to_it(
    signed_in_client: Clients, lab: dict[str, Any]
) -> None:
    """What is mine is marked; of the rest it says whose it is."""
    page = signed_in_client("builder").get("/floor").text

    assert page.index("TARN-1") < page.index("TARN-2") < page.index("TARN-3")
    assert f"MEA {lab['serial']} in cell 2 is failing and still fitted: below 0.60 V twice." in page
    assert 'href="/stacks/TARN-1/changeover?replace_cells=2"' in page
    assert f'href="/parts/{lab["mea"]}/trace">trace</a>' in page
    mine = page.split("is failing and still fitted")[1].split("</li>")[0]
    assert "<b>for you</b>" in mine
    others = page.split("waits for an approval")[1].split("</li>")[0]
    assert "for supervisor" in others
    assert "2</b> of 3 stacks need somebody, 1 of them you." in page
    assert "failing: cell 2" in page


def test_every_link_of_a_need_leads_to_a_page(
    signed_in_client: Clients, lab: dict[str, Any]
) -> None:
    """Where one sees to it."""
    client = signed_in_client("builder", "quality", "supervisor")
    page = client.get("/floor").text

    links = [it.split('"')[0] for it in page.split('class="mine"><a href="')[1:]]

    assert len(links) == 2
    assert [client.get(it.replace("&amp;", "&")).status_code for it in links] == [200, 200]


def test_only_what_waits_for_me_can_be_asked_for(
    signed_in_client: Clients, lab: dict[str, Any]
) -> None:
    """And the way back stands beside it; somebody without roles is told that nothing waits."""
    page = signed_in_client("builder").get("/floor?mine=1").text

    assert "TARN-1" in page
    assert "TARN-2" not in page
    assert 'href="/floor">Show every stack' in page
    assert "Nothing waits for your roles." in signed_in_client().get("/floor?mine=1").text


def test_an_empty_laboratory_says_how_to_begin(signed_in_client: Clients) -> None:
    """Instead of an empty list."""
    page = signed_in_client("builder").get("/floor").text

    assert "No stacks yet" in page
    assert 'href="/setup"' in page


def test_htmx_is_given_the_part_alone(signed_in_client: Clients, lab: dict[str, Any]) -> None:
    """The same as on the sheet, asking for itself again."""
    client = signed_in_client("builder")

    part = client.get("/floor", headers={"hx-request": "true"}).text

    assert part.lstrip().startswith('<div id="floor"')
    assert 'hx-get="/floor"' in part
    assert "<html" not in part
    assert "TARN-3" in part


def test_without_script_the_sheet_reads_itself_again(
    signed_in_client: Clients, lab: dict[str, Any]
) -> None:
    """By the browser's own means."""
    page = signed_in_client("builder").get("/floor?wall=1").text

    assert '<noscript><meta http-equiv="refresh" content="60;url=/floor?wall=1"></noscript>' in page


def test_the_wall_names_roles_instead_of_the_one_who_is_signed_in(
    signed_in_client: Clients, lab: dict[str, Any]
) -> None:
    """Nobody in particular stands before it."""
    page = signed_in_client("builder").get("/floor?wall=1").text

    assert "for you" not in page
    assert "builder, quality, supervisor" in page
    assert "Test lab" in page.split("<h1>")[1]
    assert 'href="/floor">leave the wall view' in page


def test_the_wall_turns_its_page_and_begins_again(app: Any, signed_in_client: Clients) -> None:
    """A screen has no hand: it shows what fits, then what follows, then the first again."""
    with Session(app.state.engine) as session:
        for number in range(10, 70):
            builders.a_stack(session, serial=f"TARN-{number}")
        session.commit()
    client = signed_in_client("builder")
    address, serials, pages = "/floor?wall=1", [], 0

    while address != "/floor?wall=1" or not pages:
        part = client.get(address, headers={"hx-request": "true"}).text
        serials += [it.split("<")[0] for it in part.split('<a class="serial" href="')[1:]]
        address = part.split('hx-get="')[1].split('"')[0].replace("&amp;", "&")
        pages += 1

    assert pages == 5
    assert len(serials) == len(set(serials)) == 60


def test_a_higher_screen_shows_more_stacks_and_keeps_to_it(
    app: Any, signed_in_client: Clients
) -> None:
    """It says how much room it has; what cannot be is not believed."""
    with Session(app.state.engine) as session:
        for number in range(10, 70):
            builders.a_stack(session, serial=f"TARN-{number}")
        session.commit()
    client = signed_in_client("builder")

    def shown(room: str) -> tuple[int, str]:
        part = client.get(f"/floor?wall=1&room={room}", headers={"hx-request": "true"}).text
        return part.count('<a class="serial"'), part.split('hx-get="')[1].split('"')[0]

    of_nobody = len(KINDS)
    beside = f"page=after%3A{of_nobody}%2C%22tarn"
    assert shown("40") == (20, f"/floor?wall=1&amp;room=40&amp;{beside}-29%22")
    for room in ("1", "999999", "-40", "wide", "4²"):
        assert shown(room) == (14, f"/floor?wall=1&amp;{beside}-23%22")


def test_a_stack_with_much_to_see_to_tells_how_much_more_on_the_wall(
    app: Any, signed_in_client: Clients, lab: dict[str, Any]
) -> None:
    """Two sentences a stack; the sheet has all."""
    with Session(app.state.engine) as session:
        failing = session.scalars(select(Stack).where(Stack.serial == "TARN-1")).one()
        meas = session.scalars(
            select(Part).where(
                Part.stack_id == failing.id,
                Part.part_type_id == builders.the_part_types(session).mea.id,
                Part.id != lab["mea"],
            )
        ).all()
        for mea in meas:
            builders.a_failing_mark(session, mea.id, reason="open circuit falls")
        session.commit()
    client = signed_in_client("builder")

    wall, sheet = (client.get(it).text for it in ("/floor?wall=1", "/floor"))

    assert wall.count("is failing and still fitted") == WALL_NEEDS
    assert "and 1 more" in wall
    assert sheet.count("is failing and still fitted") == 3


def test_a_page_left_open_keeps_nobody_signed_in(app: Any, signed_in_client: Clients) -> None:
    """What it asks for by itself does not count as somebody at the desk; the wall's does."""
    client = signed_in_client("builder")

    def seen_at(**headers: str) -> Any:
        with Session(app.state.engine) as session:
            row = session.scalars(select(SignInSession)).one()
            row.seen_at -= timedelta(minutes=10)
            before = row.seen_at
            session.commit()
        client.get("/floor", headers={"hx-request": "true"} | headers)
        with Session(app.state.engine) as session:
            return session.scalars(select(SignInSession.seen_at)).one() > before

    assert seen_at(**{"x-by-itself": "yes"}) is False
    assert seen_at() is True


def test_a_page_of_many_stacks_takes_as_many_statements_as_of_one(
    app: Any, signed_in_client: Clients, statements: Any
) -> None:
    """However many rows and needs."""
    client = signed_in_client("supervisor")
    with Session(app.state.engine) as session:
        builders.a_stack(session, cells=2)
        session.commit()
    client.get("/floor")
    with statements() as few:
        client.get("/floor")
    with Session(app.state.engine) as session:
        for _ in range(6):
            stack = builders.a_stack(session)
            builders.a_build(session, stack, cells=1, approved=False)
        session.commit()

    with statements() as many:
        client.get("/floor")

    assert len(few) == len(many)
