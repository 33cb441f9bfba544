"""The page of one part: what it is, where it is, its whole life."""

from collections.abc import Callable
from datetime import timedelta
from typing import Any

import pytest
from sqlalchemy import select
from sqlalchemy.orm import Session

from service.people.tables import Role
from service.platform import permissions
from service.platform.arithmetic.vocabulary import Whereabouts
from service.platform.database import changing
from service.stacks.tables import Build
from service.store.changes.part_axes import move_part
from service.store.tables import Hold
from tests import builders
from tests.builders import FIRST_CLOSING, START
from tests.stacks.test_part_lives import a_finding, part_at
from tests.stacks.test_stacks_pages import Clients, words

DAY = timedelta(days=1)


@pytest.fixture
def mea(app: Any) -> int:
    """An MEA in its second build, with a finding and a hold on its lot."""
    with Session(app.state.engine) as session:
        types = builders.the_part_types(session)
        lot = builders.a_lot(session, types.mea, label="M-4")
        part = builders.a_part(session, types.mea, serial="MEA-7", lot=lot, hours_before=50)
        stack = builders.a_stack(session, serial="TEL-1")
        others = [builders.a_part(session, types.mea) for _ in range(2)]
        laid = builders.a_pile(session, stack, 3, meas=[others[0], part, others[1]])
        builders.a_build(session, stack, laid=laid)
        part.whereabouts, part.stack_id = Whereabouts.FITTED, stack.id
        second = builders.a_build(session, stack, hours=310)
        part.whereabouts, part.stack_id = Whereabouts.FITTED, stack.id
        builders.an_hour_reading(session, stack, 400, FIRST_CLOSING + 60 * DAY)
        a_finding(session, second.record_id, part.id, "pinhole")
        session.add(
            Hold(
                lot_id=lot.id,
                reason="pinholes in three",
                placed_by_id=builders.a_person(session, Role.QUALITY, name="Kit Marsh").id,
                placed_at=START,
            )
        )
        session.commit()
        return int(part.id)


def test_the_page_tells_where_it_is_and_its_whole_life(signed_in_client: Clients, mea: int) -> None:
    """Three axes, both builds with neighbours and hours, finding and hold."""
    page = words(signed_in_client("builder").get(f"/parts/{mea}").text)

    assert "MEA MEA-7" in page
    assert "fitted in TEL-1 , build 2, cell 2, position 12" in page
    assert "450.0 h , of which it came with 50 h" in page
    assert "Load cycles 2 Separations 1" in page
    assert page.count("cell 2, position 12") == 3
    assert "310.0 h" in page
    assert "90.0 h" in page
    assert "pinhole 2 air inlet" in page
    assert "Its lot is on hold: must not be used, and is fitted" in page
    assert "Kit Marsh" in page


def test_what_was_changed_about_it_is_told_with_before_and_after(
    app: Any, signed_in_client: Clients
) -> None:
    """A move shows as a sentence."""
    with Session(app.state.engine) as session:
        part = builders.a_part(session, builders.the_part_types(session).mea, serial="MEA-8")
        who = builders.a_person(session, Role.BUILDER, name="Bo Lund")
        by = permissions.Person(who.id, who.login, who.name, frozenset({Role.BUILDER}))
        session.commit()
        part_id = part.id
    with changing(app.state.engine, by) as work:
        move_part(work, part_id, whereabouts=Whereabouts.AWAY, place="Fellside", reason="measure")

    page = words(signed_in_client("builder").get(f"/parts/{part_id}").text)

    assert "Bo Lund moved part MEA-8" in page
    assert "in store → away" in page
    assert "It has not sat in any build yet" in page


def test_actions_are_links_to_their_pages_for_those_who_may(
    signed_in_client: Clients, mea: int
) -> None:
    """Judging is for quality and supervisors."""
    builder = signed_in_client("builder").get(f"/parts/{mea}").text
    quality = signed_in_client("quality").get(f"/parts/{mea}").text
    admin = signed_in_client("admin").get(f"/parts/{mea}").text

    assert f"/parts/{mea}/trace" in admin
    assert f"/parts/{mea}/edit" in builder
    assert f"/parts/{mea}/judge" not in builder
    assert f"/parts/{mea}/judge" in quality
    assert f"/parts/{mea}/edit" not in admin


def test_a_part_nobody_knows_is_not_found(signed_in_client: Clients) -> None:
    """With a page, not a fault."""
    client = signed_in_client("builder")

    assert client.get("/parts/999").status_code == 404
    assert client.get("/parts/999/trace").status_code == 404
    assert client.get(f"/parts/{10**30}").status_code in (404, 422)


@pytest.mark.parametrize("path", ["", "/trace"])
def test_a_part_takes_as_many_statements_in_one_build_as_in_four(
    app: Any, signed_in_client: Clients, statements: Callable[[], Any], path: str
) -> None:
    """However long its life."""
    with Session(app.state.engine) as session:
        for serial, builds in (("ONE", 1), ("FOUR", 4)):
            stack = builders.a_stack(session, serial=serial, cells=2)
            for number in range(1, builds):
                builders.a_build(session, stack, hours=100.0 * number)
        first = {
            build.stack_id: part_at(session, build, 6)
            for build in session.scalars(select(Build).where(Build.number == 1))
        }
        session.commit()
    client = signed_in_client("builder")
    # the first visit writes down what comparisons need of builds nobody has looked at yet
    assert client.get(f"/parts/{next(iter(first.values()))}{path}").status_code == 200
    counted = []
    for part_id in first.values():
        with statements() as seen:
            assert client.get(f"/parts/{part_id}{path}").status_code == 200
        counted.append(len(seen))

    assert counted[0] == counted[1]
