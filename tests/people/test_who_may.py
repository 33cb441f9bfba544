"""Nobody stands before a page without a button or behind a link to a 403: it says who can."""

import re
from typing import Any
from urllib.parse import urldefrag, urljoin

import pytest
from sqlalchemy.orm import Session

from service.people.queries.people import who_may
from service.people.tables import Role
from service.platform.permissions import Act
from tests import builders
from tests.form_client import FormClient

LINK = re.compile(r'(?:href|hx-get)="([^"#]+)"')
LISTS = {
    "/stacks": Act.STACK_WRITE,
    "/parts": Act.PART_WRITE,
    "/part-types": Act.PART_WRITE,
    "/lots": Act.PART_WRITE,
    "/instruments": Act.INSTRUMENT_WRITE,
    "/designs": Act.DESIGN_WRITE,
    "/records": Act.RECORD_WRITE,
    "/people": Act.PEOPLE_WRITE,
}
"""Every list of something that somebody adds, and what adding it asks for."""
CAN_ADD = "here can add a design yet: it needs the role quality or supervisor"
ELSE = "somebody else with the role quality or supervisor"
EVERYBODY = {
    Role.BUILDER: "Berta Bench",
    Role.QUALITY: "Qi Quality",
    Role.SUPERVISOR: "Sam Super",
    Role.ADMIN: "Anna Admin",
}


@pytest.fixture
def everybody(app: Any) -> None:
    """One person of each role, and one who is only named."""
    with Session(app.state.engine) as session:
        for role, name in EVERYBODY.items():
            builders.a_person(session, role, name=name, login=role.value)
        builders.a_person(session, Role.QUALITY, name="Ada Away", login="ada").active = False
        session.commit()


def signed_in(client: FormClient, role: Role) -> FormClient:
    """The same browser, as the person of a role."""
    client.cookies.clear()
    client.post("/sign-in", data={"login": role.value, "password": builders.PASSWORD})
    return client


def links_from(client: FormClient, first: str) -> dict[str, tuple[int, str]]:
    """Follow every link: the status of each page and the page that leads there."""
    seen: dict[str, tuple[int, str]] = {}
    waiting = [(first, "")]
    while waiting:
        address, before = waiting.pop()
        if address in seen:
            continue
        answer = client.get(address, follow_redirects=True)
        seen[address] = (answer.status_code, before)
        found = LINK.findall(answer.text) if "html" in answer.headers["content-type"] else []
        for link in found:
            there = urldefrag(urljoin(address, link.replace("&amp;", "&"))).url
            if there.startswith("/") and not there.startswith("/static/"):
                waiting.append((there, address))
    return seen


@pytest.mark.parametrize(
    "role",
    [
        Role.BUILDER,
        Role.ADMIN,
        *(pytest.param(role, marks=pytest.mark.night) for role in (Role.QUALITY, Role.SUPERVISOR)),
    ],
)
def test_no_link_of_an_empty_lab_leads_to_a_refusal(
    client: Any, everybody: None, role: Role
) -> None:
    """From the first page on, whatever one may do."""
    seen = links_from(signed_in(client, role), "/floor")

    assert {address: found for address, found in seen.items() if found[0] != 200} == {}
    assert set(LISTS) - {"/people"} <= set(seen)


@pytest.mark.parametrize("role", Role)
def test_an_empty_list_has_a_button_or_says_who_can(
    client: Any, everybody: None, role: Role
) -> None:
    """By name, and nobody who has left."""
    with Session(client.app.state.engine) as session:
        asking = {act: who_may(session, act) for act in LISTS.values()}
    signed_in(client, role)

    for address, act in LISTS.items():
        shown = client.get(address).text
        has_button = re.search(rf'class="button[^"]*" href="{address}/(new|add)', shown)
        says_who = asking[act].removeprefix("Ask ") in shown
        assert bool(has_button) != says_who, (address, role)
        assert "Ada Away" not in shown or address == "/people"


@pytest.mark.parametrize(
    ("role", "address", "who"),
    [
        (Role.BUILDER, "/designs/new", "Ask Qi Quality or Sam Super."),
        (Role.ADMIN, "/stacks/new", "Ask Berta Bench, Qi Quality or Sam Super."),
        (Role.QUALITY, "/people/add", "Ask Anna Admin."),
    ],
)
def test_a_refused_page_says_who_can_and_leads_back(
    client: Any, everybody: None, role: Role, address: str, who: str
) -> None:
    """Back to the page of this site one came from, and to no other."""
    signed_in(client, role)

    refused = client.get(address, headers={"referer": "http://testserver/floor?mine=1"})
    from_elsewhere = client.get(address, headers={"referer": "http://elsewhere.example/page"})

    assert refused.status_code == 403
    assert who in refused.text
    assert 'href="/floor?mine=1">Back' in refused.text
    assert "elsewhere.example" not in from_elsewhere.text


def test_the_api_says_who_can_too(app: Any, calling: Any, everybody: None) -> None:
    """By name, after the role that is missing."""
    builder = calling("builder")

    refused = builder.post("/api/v1/concessions", json={"on": "lot", "id": 1, "reason": "wet"})

    assert refused.status_code == 403
    assert refused.json()["detail"] == (
        "This needs the role quality or supervisor. Ask Qi Quality or Sam Super."
    )


@pytest.mark.both_engines
@pytest.mark.parametrize(
    ("roles", "words"),
    [
        ([], f"Nobody {CAN_ADD}."),
        (["admin"], f"Nobody {CAN_ADD}; Person 0 can add a person or give a role."),
        (["quality"], "To add a design, ask Person 0."),
        (["quality", "supervisor"] * 2, f"To add a design, ask Person 0, Person 1 or {ELSE}."),
    ],
)
def test_whom_to_ask_is_said_by_name(engine: Any, roles: list[str], words: str) -> None:
    """Up to three; where nobody can, by role, and who gives it."""
    with Session(engine) as session:
        for number, role in enumerate(roles):
            builders.a_person(session, role, name=f"Person {number}", login=f"person{number}")

        assert who_may(session, Act.DESIGN_WRITE, "add a design") == words
