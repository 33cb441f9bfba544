"""A role an admin gives themself: a second admin decides, or a day passes."""

import json
from collections.abc import Callable
from datetime import timedelta
from typing import Any

import pytest
from sqlalchemy import Engine, select, text
from sqlalchemy.exc import IntegrityError
from sqlalchemy.orm import Session

from service.people.changes.people import change_roles, deactivate, decide_role
from service.people.queries.signers import remarks_beside
from service.people.tables import PersonRole, Role, RoleRequest
from service.platform.database import changing
from service.platform.errors import NotAllowed, Refused
from service.platform.permissions import Person
from service.platform.tables import AuditEntry
from tests import builders
from tests.bench.at_the_bench import known

Clients = Callable[..., Any]
NOW = builders.START + timedelta(days=30)
A_DAY = timedelta(hours=24)


def an_admin(engine: Engine, name: str = "Dev Marlow") -> Person:
    with Session(engine) as session:
        admin = known(session, builders.a_person(session, Role.ADMIN, name=name))
        session.commit()
        return admin


def ask(engine: Engine, admin: Person, whose: int = 0) -> int:
    with changing(engine, admin, now=NOW) as work:
        change_roles(work, whose or admin.id, [Role.ADMIN, Role.SUPERVISOR])
    with Session(engine) as session:
        return session.scalars(select(RoleRequest.id)).one()


def decide(
    engine: Engine, by: Person, number: int, later: timedelta, *, grant: bool = True
) -> None:
    with changing(engine, by, now=NOW + later) as work:
        decide_role(work, number, grant=grant, password=builders.PASSWORD)


def roles_of(engine: Engine, person: Person) -> set[Role]:
    with Session(engine) as session:
        return set(
            session.scalars(select(PersonRole.role).where(PersonRole.person_id == person.id))
        )


def test_a_role_for_oneself_waits_for_a_second_admin(engine: Engine) -> None:
    dev, second = an_admin(engine), an_admin(engine, "Qi Second")
    number = ask(engine, dev)

    assert roles_of(engine, dev) == {Role.ADMIN}
    with pytest.raises(NotAllowed, match="a second admin decides"):
        decide(engine, dev, number, 2 * A_DAY)
    decide(engine, second, number, timedelta(minutes=5))
    assert roles_of(engine, dev) == {Role.ADMIN, Role.SUPERVISOR}
    with Session(engine) as session:
        assert remarks_beside(session, dev.id, (), NOW) == ()


def test_one_admin_waits_a_day_and_it_stands_beside_their_signatures(engine: Engine) -> None:
    dev = an_admin(engine)
    number = ask(engine, dev)

    with pytest.raises(Refused, match=r"waits until 2026-02-05 08:00 UTC"):
        decide(engine, dev, number, A_DAY - timedelta(seconds=1))
    decide(engine, dev, number, A_DAY)

    assert roles_of(engine, dev) == {Role.ADMIN, Role.SUPERVISOR}
    with Session(engine) as session:
        (remark,) = remarks_beside(session, dev.id, (), NOW)
    assert remark == "The role supervisor was given 2026-02-05 08:00 UTC without a second admin."


def test_a_role_for_an_account_like_ones_own_waits_too(engine: Engine) -> None:
    dev, second = an_admin(engine), an_admin(engine, "Dev Marlov")

    number = ask(engine, dev, second.id)

    assert roles_of(engine, second) == {Role.ADMIN}
    with pytest.raises(Refused, match="no second admin is here"):
        decide(engine, second, number, timedelta(hours=1))


def test_whoever_looks_like_the_asker_is_told_so_and_is_no_second_admin(engine: Engine) -> None:
    dev, like = an_admin(engine), an_admin(engine, "Dev Marlov")
    number = ask(engine, dev)

    with pytest.raises(Refused, match="no second admin is here who is not like whoever asked"):
        decide(engine, like, number, timedelta(hours=1))
    third = an_admin(engine, "Qi Second")
    with pytest.raises(NotAllowed, match="You are like whoever asked"):
        decide(engine, like, number, A_DAY)
    with changing(engine, like, now=NOW) as work:
        deactivate(work, third.id)
    decide(engine, like, number, A_DAY)

    with Session(engine) as session:
        granted = select(AuditEntry.changes).where(AuditEntry.act == "role:granted")
        assert json.loads(session.scalars(granted).one()) == [["second admin", None, False]]


def test_a_role_for_somebody_else_is_given_at_once(engine: Engine) -> None:
    dev, mira = an_admin(engine), an_admin(engine, "Mira Solberg")

    with changing(engine, dev, now=NOW) as work:
        change_roles(work, mira.id, [Role.BUILDER, Role.ADMIN])

    assert roles_of(engine, mira) == {Role.BUILDER, Role.ADMIN}


def test_whoever_asked_may_withdraw_it(engine: Engine) -> None:
    dev = an_admin(engine)

    decide(engine, dev, ask(engine, dev), timedelta(hours=1), grant=False)

    assert roles_of(engine, dev) == {Role.ADMIN}


@pytest.mark.both_engines
def test_the_database_lets_nobody_grant_their_own_role_at_once(engine: Engine) -> None:
    dev = an_admin(engine)
    ask(engine, dev)

    with Session(engine) as session, pytest.raises(IntegrityError, match="alone_after_a_day"):
        session.execute(
            text(
                "UPDATE role_request SET decided_by_id = asked_by_id, decided_at = asked_at,"
                " granted = true"
            )
        )


@pytest.mark.both_engines
def test_everybody_reads_of_it_and_the_second_admin_grants_it(
    app: Any, signed_in_client: Clients
) -> None:
    dev, second = signed_in_client("admin", name="Dev Marlow"), signed_in_client("admin")
    builder = signed_in_client("builder")
    with Session(app.state.engine) as session:
        login = session.get_one(builders.Person, dev.person_id).login

    dev.post(f"/people/{login}/roles", data={"roles": ["admin", "supervisor"]})
    told = builder.get("/floor").text
    with Session(app.state.engine) as session:
        number = session.scalars(select(RoleRequest.id)).one()
    at = f"/people/{login}/roles-asked-for/{number}"
    form = {"decision": "grant", f"deciding_password_{number}": builders.PASSWORD}

    assert "An admin asked for a role for themself: Dev Marlow (" in told
    assert "), supervisor. A second admin confirms it" in told
    assert "Asked for: supervisor" in second.get(f"/people/{login}").text
    assert builder.post(at, data=form).status_code == 403
    assert dev.post(at, data=form).status_code == 403
    assert second.post(at, data=form | {f"deciding_password_{number}": "no"}).status_code == 422
    assert second.post(at, data=form).status_code == 303
    assert "supervisor, admin" in second.get("/people").text
    assert "asked for a role" not in builder.get("/floor").text
