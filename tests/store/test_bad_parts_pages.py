"""What must not be used, on the pages: holds on types and designs, parts to be decided on."""

import re
from collections.abc import Callable
from typing import Any

import pytest
from sqlalchemy import select, update
from sqlalchemy.orm import Session

from service.platform.arithmetic.vocabulary import Usability
from service.stacks.tables import Stack
from service.store.tables import Hold, Part
from tests import builders

Clients = Callable[..., Any]


def text(answer: Any) -> str:
    """What a page says, without its marks."""
    return " ".join(re.sub(r"<[^>]+>", " ", answer.text).split())


def send(client: Any, address: str, **fields: Any) -> Any:
    """Send a form, with a one-time key of its own, and stay at the answer."""
    key = re.search(r'name="entry_key" value="([^"]+)"', client.get(address).text)
    keyed = {"entry_key": key[1]} if key else {}
    return client.post(address, data={**keyed, **fields}, follow_redirects=False)


def rows(app: Any, make: Callable[[Session], Any]) -> Any:
    with Session(app.state.engine) as session:
        made = make(session)
        session.commit()
        return made


@pytest.fixture
def stack(app: Any) -> Stack:
    def make(session: Session) -> Stack:
        stack = builders.a_stack(session, serial="TARN-1")
        builders.a_build(session, stack, cells=1)
        session.flush()
        session.refresh(stack)
        session.expunge(stack)
        return stack

    made: Stack = rows(app, make)
    return made


@pytest.mark.parametrize("subject", ["part_type", "design"])
def test_a_type_or_a_design_is_held_from_its_page_and_its_stacks_say_so(
    app: Any, signed_in_client: Clients, stack: Stack, subject: str
) -> None:
    type_id = rows(app, lambda s: builders.the_part_types(s).mea.id)
    key, page = {
        "part_type": (type_id, f"/part-types/{type_id}"),
        "design": (stack.design_id, f"/designs/{stack.design_id}"),
    }[subject]
    client = signed_in_client("builder")
    place = f"/holds/new?{subject}={key}"
    assert place in client.get(page).text

    answer = send(client, place, reason="ink too thin")

    assert answer.status_code == 303
    hold_id = rows(app, lambda s: s.scalars(select(Hold.id)).one())
    assert answer.headers["location"] == f"/holds/{hold_id}"
    assert "On hold: must not be used" in text(client.get(page))
    assert "ink too thin" in text(client.get("/holds"))
    shown = text(client.get("/stacks/TARN-1"))
    named = "Part type" if subject == "part_type" else "Its design"
    assert re.search(rf"{named}.*: ink too thin", shown)
    assert f"/holds/{hold_id}" in client.get("/floor").text


def test_fitted_parts_nobody_has_inspected_are_judged_together(
    app: Any, signed_in_client: Clients, stack: Stack
) -> None:
    def doubt(session: Session) -> int:
        session.execute(
            update(Part).where(Part.stack_id == stack.id).values(usability=Usability.NOT_INSPECTED)
        )
        return len(session.scalars(select(Part.id).where(Part.stack_id == stack.id)).all())

    many = rows(app, doubt)
    address = "/parts/inspection?stack=TARN-1"
    assert signed_in_client("builder").get(address).status_code == 403
    client = signed_in_client("quality")
    assert f"{many} fitted parts were never inspected" in text(client.get("/floor"))
    page = client.get(address).text
    keys = re.findall(r'name="every" value="(\d+)"', page)
    assert len(keys) == many

    asked = {"usability": "accepted used", "reason": "papers seen"}
    baseless = send(client, address, chosen=keys[0], **asked)
    assert baseless.status_code == 422
    asked["basis"] = "papers"
    nothing = send(client, address, **asked)
    assert nothing.status_code == 422
    assert "Nothing is chosen. Choose at least one." in text(nothing)
    some = send(client, address, chosen=keys[0], **asked)
    assert some.status_code == 303
    rest = send(client, address, all="yes", every=keys[1:], **asked)
    assert rest.status_code == 303

    judged = rows(
        app, lambda s: set(s.scalars(select(Part.usability).where(Part.stack_id == stack.id)))
    )
    assert judged == {Usability.ACCEPTED_USED}
    assert "never inspected" not in text(client.get("/floor"))


@pytest.mark.parametrize("asked", ["", "?stack=", "?stack=TARN-9"])
def test_the_inspection_of_no_stack_shows_and_judges_nothing(
    app: Any, signed_in_client: Clients, asked: str
) -> None:
    def make(session: Session) -> int:
        mea = builders.the_part_types(session).mea
        return builders.a_part(session, mea, usability=Usability.NOT_INSPECTED).id

    part_id = rows(app, make)
    client = signed_in_client("quality")

    shown = client.get(f"/parts/inspection{asked}")
    fields = {"chosen": str(part_id), "usability": "rejected", "reason": "torn"}
    sent = client.post(f"/parts/inspection{asked}", data=fields)

    assert (shown.status_code, sent.status_code) == (404, 404)
    kept = rows(app, lambda s: s.get_one(Part, part_id).usability)
    assert kept is Usability.NOT_INSPECTED


@pytest.mark.parametrize("role", ["builder", "quality"])
def test_the_floor_leads_from_parts_not_inspected_to_a_page_that_opens(
    app: Any, signed_in_client: Clients, stack: Stack, role: str
) -> None:
    of_stack = update(Part).where(Part.stack_id == stack.id)
    rows(app, lambda s: s.execute(of_stack.values(usability=Usability.NOT_INSPECTED)) and None)
    client = signed_in_client(role)

    floor = client.get("/floor").text
    link = re.search(r'href="([^"]+)">\d+ fitted parts were never inspected', floor)

    assert link
    assert client.get(link[1]).status_code == 200
