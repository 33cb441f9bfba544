"""The page of the audit trail."""

import re
from typing import Any

import pytest
from sqlalchemy.orm import Session

from service.people.tables import Person
from service.platform.audit import Event
from service.platform.pages.trail_words import SENTENCES
from service.platform.tables import AuditEntry
from tests.builders import START
from tests.platform.test_audit_trail import a_lab
from tests.stacks.test_stacks_pages import Clients, words


@pytest.fixture
def lab(app: Any) -> tuple[int, int]:
    """Five entries of two people on two stacks; ids of Bo and of the first stack."""
    _ann, bo, one, _two = a_lab(app.state.engine)
    return bo.id, one


def test_entries_read_as_sentences_with_before_and_after(
    signed_in_client: Clients, lab: tuple[int, int]
) -> None:
    """Newest first; times in the lab's zone."""
    page = words(signed_in_client("quality").get("/audit-trail").text)

    assert "Ann changed stack TARN-001 place: bench 1 → bench 9" in page
    assert "read the hour meter of TARN-002" in page
    assert "hours: 40 h taken at: 2026-01-09 08:00" in page


def test_the_trail_is_filtered_by_person_date_kind_and_object(
    signed_in_client: Clients, lab: tuple[int, int]
) -> None:
    """Each filter stays filled in."""
    client = signed_in_client("quality")
    bo, one = lab

    def entries(query: str) -> int:
        return client.get(f"/audit-trail?{query}").text.count('<th scope="row">')

    assert entries("") == 5
    assert entries(f"person={bo}") == 2
    assert entries("since=2026-01-09&until=2026-01-09") == 1
    assert entries("act=stack") == 1
    assert entries("act=hours:read") == 4
    assert entries(f"subject=stack:{one}") == entries(f"kind=stack&subject={one}") == 3
    assert entries("subject=part:77") == 0
    assert "of stack TARN-001" in client.get(f"/audit-trail?subject=stack:{one}").text


@pytest.mark.parametrize(
    "query", ["subject=nonsense", "since=yesterday", "act=flown", "person=x", "page=-1"]
)
def test_what_cannot_be_asked_is_said_in_words(signed_in_client: Clients, query: str) -> None:
    """Never a fault."""
    answer = signed_in_client("quality").get(f"/audit-trail?{query}")

    assert answer.status_code == 422
    assert "cannot be taken" in answer.text


def test_long_trails_come_in_pages(app: Any, signed_in_client: Clients) -> None:
    """A link to older entries until there are none."""
    with Session(app.state.engine) as session:
        person = session.query(Person).first()
        session.add_all(
            AuditEntry(
                at=START,
                person_id=person.id if person else None,
                person_name="Ann",
                act="part:moved",
                subject_kind="part",
                subject_id=1,
                subject_label=f"P-{number}",
                changes="[]",
                reason="",
                via="page",
            )
            for number in range(120)
        )
        session.commit()
    client = signed_in_client("quality")
    address, seen = "/audit-trail", []
    while address:
        page = client.get(address).text
        seen += re.findall(r">(P-\d+)<", page)
        older = re.search(r'href="([^"]+)" rel="next"', page)
        address = older[1].replace("&amp;", "&") if older else ""

    assert seen == [f"P-{number}" for number in reversed(range(120))]


def test_every_act_reads_as_a_sentence() -> None:
    """An act without a sentence of its own is told by its verb and kind."""
    verbs = {did.value.partition(":")[2].split()[0] for did in Event if did.value not in SENTENCES}

    assert verbs <= {"made", "changed", "added", "imported"}
