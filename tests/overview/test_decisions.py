"""What waits for a decision stands on the first page of who may decide, and of nobody else."""

from collections.abc import Callable
from datetime import timedelta
from typing import Any

import pytest
from sqlalchemy import Engine
from sqlalchemy.orm import Session

from service.overview.queries.decisions import decisions_for
from service.people.tables import PasswordMade, Role, RoleRequest
from service.people.tables import Person as PersonRow
from service.platform.permissions import Person
from service.records.tables import VoidProposal
from service.store.tables import ChangeKind, ProposedChange
from tests import builders
from tests.bench.at_the_bench import known

NOW = builders.START + timedelta(days=30)
DAY = timedelta(days=1)


def a_proposal(session: Session, by: Person, *, number: int) -> None:
    session.add(
        ProposedChange(
            kind=ChangeKind.PATTERN,
            subject_id=number,
            subject_label=f"Tarn {number} A",
            content="{}",
            content_sha256="0" * 64,
            changes="[]",
            source="",
            reason="as drawn",
            made_by_id=by.id,
            made_at=builders.START,
        )
    )


def a_void_proposal(session: Session, writer: Person, by: Person) -> int:
    """A proposal that stands, and one that lapsed when the record changed."""
    stack = builders.a_stack(session, serial="TARN-1")
    record = builders.a_record(session, stack, builder=session.get_one(PersonRow, writer.id))
    for version in (record.version - 1, record.version):
        session.add(
            VoidProposal(
                record_id=record.id,
                record_version=version,
                proposed_by_id=by.id,
                proposed_at=builders.START + 4 * DAY,
                reason="wrong stack",
            )
        )
    return record.id


def a_made_password(session: Session, maker: Person, *, is_changed: bool) -> Any:
    person = builders.a_person(session, Role.BUILDER, name=f"New {is_changed}")
    session.add(
        PasswordMade(
            person_id=person.id,
            made_by_id=maker.id,
            made_at=builders.START + 3 * DAY,
            changed_at=builders.START + 3 * DAY if is_changed else None,
            changed_in="0" * 64 if is_changed else None,
        )
    )
    return person


@pytest.mark.both_engines
def test_each_reads_what_they_may_decide(engine: Engine, statements: Callable[..., Any]) -> None:
    """Not what they proposed, had a part in or asked for, nor what cannot be decided yet."""
    with Session(engine) as session:
        quality, supervisor, builder, admin, second = (
            known(session, builders.a_person(session, role, name=name))
            for role, name in (
                (Role.QUALITY, "Keiko"),
                (Role.SUPERVISOR, "Olu"),
                (Role.BUILDER, "Mira"),
                (Role.ADMIN, "Dev"),
                (Role.ADMIN, "Second"),
            )
        )
        a_proposal(session, quality, number=1)
        a_proposal(session, quality, number=2)
        a_proposal(session, supervisor, number=2)
        record_id = a_void_proposal(session, builder, quality)
        new = a_made_password(session, admin, is_changed=True)
        a_made_password(session, admin, is_changed=False)
        session.add(
            RoleRequest(
                person_id=admin.id,
                role=Role.SUPERVISOR,
                asked_by_id=admin.id,
                asked_at=NOW - timedelta(hours=1),
                alone_from=NOW + DAY,
            )
        )
        session.commit()
        confirm = f"/people/{new.login}"

        def seen(person: Person, now: Any = NOW) -> list[str]:
            return [each.address for each in decisions_for(session, person, now)]

        assert seen(quality) == ["/proposals/3", confirm]
        assert seen(supervisor) == [
            "/proposals/1",
            confirm,
            f"/records/{record_id}/approval#making-void",
        ]
        assert seen(builder) == [confirm]
        assert seen(admin) == []
        assert seen(second) == [confirm, f"/people/{admin.login}"]
        assert seen(admin, NOW + 2 * DAY) == [f"/people/{admin.login}"]
        with statements() as asked:
            decisions_for(session, supervisor, NOW)
    assert len(asked) == 2


def test_it_stands_on_the_first_page_with_a_link(app: Any, signed_in_client: Any) -> None:
    """On the wall it does not: nobody is signed in there."""
    with Session(app.state.engine) as session:
        quality = known(session, builders.a_person(session, Role.QUALITY))
        a_proposal(session, quality, number=1)
        session.commit()

    floor = signed_in_client("supervisor").get("/floor").text
    wall = signed_in_client("supervisor").get("/floor?wall=1").text
    of_a_builder = signed_in_client("builder").get("/floor").text

    assert '<a href="/proposals/1">Proposed: pattern of Tarn 1 A</a>' in floor
    assert "/proposals/1" not in wall + of_a_builder
