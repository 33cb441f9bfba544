"""One admin alone brings about no signature in another's name, by any order of acts.

The admin holds every password they made and every session they opened with one. The others are
honest: told a new password they choose one of their own, and show the code on their own screen to
somebody who looks at it.
"""

import shutil
from dataclasses import dataclass, replace
from datetime import timedelta
from pathlib import Path
from typing import Any

from hypothesis import HealthCheck, settings
from hypothesis import strategies as st
from hypothesis.stateful import (
    Bundle,
    RuleBasedStateMachine,
    initialize,
    invariant,
    multiple,
    rule,
    run_state_machine_as_test,
)
from sqlalchemy import select
from sqlalchemy.orm import Session

from service.limits.changes import approve_limits, write_limits
from service.limits.tables import LimitSet
from service.people.changes import people as changes
from service.people.queries.passwords import code_of, password_standing
from service.people.queries.people import (
    credential_of,
    password_matches,
    secret_sha256,
    signed_in_with,
)
from service.people.queries.role_requests import A_DAY
from service.people.tables import Person, PersonRole, Role, RoleRequest
from service.platform.database import changing, housekeeping, make_engine, reading
from service.platform.errors import LayerbookError
from service.platform.permissions import Person as Somebody
from tests import builders
from tests.limits.test_limit_sets import CLAMP, FIRST

ALONE = "known to one alone"
LONG = timedelta(days=900)
HONEST = ("sam", "quinn")
ACCOUNTS = st.sampled_from([*HONEST, "adam", "fake1", "fake2"])
ROLES = st.sets(st.sampled_from(list(Role)), min_size=1)


@dataclass(frozen=True)
class Prepared:
    """An admin, a supervisor, somebody of quality, and limits that wait for an approval."""

    path: Path
    design_id: int


def prepare(path: Path) -> Prepared:
    """Make the laboratory which is copied for each order of acts."""
    engine = make_engine(f"sqlite:///{path}")
    with Session(engine) as session:
        for login, role in (("adam", "admin"), ("sam", "supervisor"), ("quinn", "quality")):
            builders.a_person(session, role, name=f"{login} {role}", login=login)
        design_id = builders.a_design(session).id
        session.commit()
    with engine.connect() as connection:
        connection.exec_driver_sql("PRAGMA wal_checkpoint(TRUNCATE)")
    engine.dispose()
    return Prepared(path, design_id)


class OneAdmin(RuleBasedStateMachine):
    """All that one admin can try."""

    prepared: Prepared
    sessions = Bundle("sessions")

    @initialize(target=sessions)
    def begin(self) -> Any:
        path = self.prepared.path.with_name("copied.sqlite")
        shutil.copyfile(self.prepared.path, path)
        self.engine = make_engine(f"sqlite:///{path}")
        self.now = builders.START
        self.number = 0
        self.known = {"adam": builders.PASSWORD}
        """Passwords the admin knows."""
        self.writer = self.of("quinn")
        self.write_limits()
        return self.open_session("adam")

    def of(self, login: str) -> Somebody:
        with Session(self.engine) as session:
            row = session.scalars(select(Person).where(Person.login == login)).one()
            return Somebody(row.id, row.login, row.name, frozenset({Role.QUALITY}))

    def write_limits(self) -> None:
        """An honest version of limits, which waits."""
        self.number += 1
        clamp = replace(CLAMP, u_common_percent=8.0 + self.number / 1000)
        figures = replace(FIRST, clamp=clamp)
        with changing(self.engine, self.writer, now=self.now) as work:
            self.waits = write_limits(
                work, self.prepared.design_id, figures, source="note 3", reason="better figures"
            )

    def open_session(self, login: str, password: str = "") -> tuple[str, str] | None:
        """Sign in as somebody; nothing where the password is wrong."""
        self.now += timedelta(minutes=1)
        with reading(self.engine) as session:
            credential = credential_of(session, login)
        if not credential or not password_matches(credential, password or self.known[login]):
            return None
        self.number += 1
        secret = f"secret {self.number}"
        with housekeeping(self.engine) as session:
            changes.begin_session(session, credential.person_id, secret, self.now)
        return login, secret

    def act(self, secret: str, change: Any, *args: Any, **facts: Any) -> bool:
        """Try something as whoever is signed in; say whether it was done."""
        self.now += timedelta(minutes=1)
        with reading(self.engine) as session:
            signed_in = signed_in_with(session, secret, self.now, LONG, LONG)
        if signed_in is None:
            return False
        is_own = change is changes.set_password and args[0] == signed_in.person.id
        if signed_in.password and signed_in.password.must_change and not is_own:
            return False
        try:
            with changing(self.engine, signed_in.person, now=self.now) as work:
                change(work, *args, **facts)
        except LayerbookError:
            return False
        return True

    @rule(as_who=sessions, login=st.sampled_from(["fake1", "fake2"]), roles=ROLES)
    def add(self, as_who: Any, login: str, roles: set[Role]) -> None:
        password = f"made by adam {self.number}"
        if as_who and self.act(
            as_who[1], changes.add_person, login, f"{login} Invented", roles, password
        ):
            self.known[login] = password

    @rule(as_who=sessions, whose=ACCOUNTS)
    def make_password(self, as_who: Any, whose: str) -> None:
        self.number += 1
        new = f"made by somebody {self.number}"
        old = self.known.get(whose)
        number = self.number_of(whose)
        if (
            as_who
            and number
            and self.act(as_who[1], changes.set_password, number, new, old, as_who[1])
        ):
            self.known[whose] = new

    @rule(as_who=sessions, whose=ACCOUNTS, roles=ROLES)
    def give_roles(self, as_who: Any, whose: str, roles: set[Role]) -> None:
        number = self.number_of(whose)
        if as_who and number:
            self.act(as_who[1], changes.change_roles, number, roles)

    @rule(as_who=sessions, whose=ACCOUNTS, out=st.booleans())
    def shut_out(self, as_who: Any, whose: str, out: bool) -> None:
        number = self.number_of(whose)
        if as_who and number and whose not in HONEST:
            self.act(as_who[1], changes.deactivate if out else changes.reactivate, number)

    @rule(target=sessions, login=ACCOUNTS)
    def sign_in(self, login: str) -> Any:
        opened = self.open_session(login) if login in self.known else None
        return opened or multiple()

    @rule(as_who=sessions, whose=ACCOUNTS)
    def confirm(self, as_who: Any, whose: str) -> None:
        """With the right code, as it may stand on a screen the admin sees."""
        number = self.number_of(whose)
        if not as_who or not number:
            return
        with reading(self.engine) as session:
            standing = password_standing(session, number)
            code = code_of(session, standing) if standing else ""
        password = self.known.get(as_who[0], "")
        self.act(as_who[1], changes.confirm_person, number, code=code, password=password)

    @rule(as_who=sessions, whose=ACCOUNTS)
    def grant(self, as_who: Any, whose: str) -> None:
        with Session(self.engine) as session:
            asked = session.scalars(
                select(RoleRequest.id).where(
                    RoleRequest.person_id == self.number_of(whose),
                    RoleRequest.decided_at.is_(None),
                )
            ).all()
        if as_who:
            for number in asked:
                password = self.known.get(as_who[0], "")
                self.act(as_who[1], changes.decide_role, number, grant=True, password=password)

    @rule()
    def wait_a_day(self) -> None:
        self.now += timedelta(hours=25)

    @rule(as_who=sessions)
    def sign(self, as_who: Any) -> None:
        """Whoever signs but the admin themself signs in another's name."""
        if not as_who or as_who[0] not in self.known:
            return
        with Session(self.engine) as session:
            content = session.get_one(LimitSet, self.waits).content_sha256
        password = self.known[as_who[0]]
        if self.act(
            as_who[1], approve_limits, self.waits, content_sha256=content, password=password
        ):
            assert as_who[0] == "adam"
            self.write_limits()

    @rule(login=st.sampled_from(HONEST), confirmed_by=st.sampled_from(HONEST))
    def come_in(self, login: str, confirmed_by: str) -> None:
        """Somebody honest takes the password they are told and is confirmed by another one."""
        told = self.known.get(login)
        opened = self.open_session(login, told) if told else None
        if not opened:
            return
        own = ALONE
        assert self.act(
            opened[1], changes.set_password, self.number_of(login), own, told, opened[1]
        )
        del self.known[login]
        with reading(self.engine) as session:
            standing = password_standing(session, self.number_of(login))
            shown = standing is not None and standing.changed_in == secret_sha256(opened[1])
            code = code_of(session, standing) if standing and shown else ""
        other = None if confirmed_by in self.known else self.open_session(confirmed_by, ALONE)
        other = other or self.open_session(confirmed_by, builders.PASSWORD)
        if other and confirmed_by not in self.known:
            password = ALONE if self.is_password(confirmed_by, ALONE) else builders.PASSWORD
            self.act(
                other[1],
                changes.confirm_person,
                self.number_of(login),
                code=code,
                password=password,
            )

    def is_password(self, login: str, password: str) -> bool:
        with reading(self.engine) as session:
            return password_matches(credential_of(session, login), password)

    def number_of(self, login: str) -> int:
        with Session(self.engine) as session:
            return session.scalar(select(Person.id).where(Person.login == login)) or 0

    @invariant()
    def nobody_signed_but_the_admin(self) -> None:
        with Session(self.engine) as session:
            signed = session.scalars(
                select(Person.login).join(LimitSet, LimitSet.approved_by_id == Person.id)
            ).all()
            adam = self.number_of("adam")
            granted = session.scalars(
                select(RoleRequest).where(RoleRequest.granted.is_(True))
            ).all()
            early = [row.id for row in granted if row.decided_at < row.asked_at + A_DAY]
            roles = set(
                session.scalars(select(PersonRole.role).where(PersonRole.person_id == adam))
            )
            given = {row.role for row in granted if row.person_id == adam}
        assert set(signed) <= {"adam"}
        assert early == []
        assert roles <= given | {Role.ADMIN}

    def teardown(self) -> None:
        if hasattr(self, "engine"):
            self.engine.dispose()


def test_no_order_of_acts_of_one_admin_signs_for_another(
    sqlite_template: Path, tmp_path: Path
) -> None:
    path = tmp_path / "prepared.sqlite"
    shutil.copyfile(sqlite_template, path)

    OneAdmin.prepared = prepare(path)

    run_state_machine_as_test(
        OneAdmin,
        settings=settings(stateful_step_count=40, suppress_health_check=list(HealthCheck)),
    )
