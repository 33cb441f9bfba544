"""Badges, PINs and shared tablets: who makes and withdraws them, and what they are good for."""

from collections.abc import Callable
from typing import Any

import pytest
from sqlalchemy import Engine, select, text
from sqlalchemy.exc import DBAPIError
from sqlalchemy.orm import Session

from service.people import tables
from service.people.arithmetic.pins import is_pin, weakness
from service.people.changes import badges
from service.people.changes.people import set_password
from service.people.queries.badges import bearer_of, keys_of, tablet_of, word_is_right
from service.people.tables import Badge, Entered, PersonPin, Role, SignInSession
from service.platform.database import changing, housekeeping, reading
from service.platform.errors import NotAllowed, Refused
from service.platform.pages.forms import Form
from service.platform.pages.guard import tablet_cookie
from service.platform.permissions import Person
from service.platform.tables import AuditEntry
from tests import builders

Clients = Callable[..., Any]
PIN = "271828"


def somebody(engine: Engine, *roles: str) -> Person:
    """Somebody known, with their password."""
    with Session(engine) as session:
        row = builders.a_person(session, *roles)
        session.commit()
        return Person(row.id, row.login, row.name, frozenset(map(Role, roles)))


def do(engine: Engine, by: Person, change: Callable[..., Any], *what: Any, **more: Any) -> Any:
    with changing(engine, by) as work:
        return change(work, *what, **more)


def a_session(person_id: int, secret: str, entered: str, tablet_id: int | None) -> SignInSession:
    return SignInSession(
        token_sha256=secret,
        person_id=person_id,
        begun_at=builders.START,
        seen_at=builders.START,
        ended_at=None,
        entered=Entered(entered),
        tablet_id=tablet_id,
        locked_at=None,
    )


def login_of(client: Any) -> str:
    with Session(client.app.state.engine) as session:
        return str(session.get_one(tables.Person, client.person_id).login)


def has_pin(engine: Engine, person: Person, pin: str = PIN) -> None:
    do(engine, person, badges.choose_pin, person.id, pin, password=builders.PASSWORD)


def has_tablet(engine: Engine, by: Person) -> str:
    return str(do(engine, by, badges.enrol_tablet, "bench 2", password=builders.PASSWORD))


@pytest.mark.both_engines
def test_a_badge_is_replaced_and_withdrawn_and_the_trail_says_so(engine: Engine) -> None:
    """One in use at a time; a code of before says nobody."""
    me = somebody(engine, "builder")

    first = do(engine, me, badges.make_badge, me.id)
    second = do(engine, me, badges.make_badge, me.id)

    with reading(engine) as session:
        assert bearer_of(session, first) is None
        bearer = bearer_of(session, f" {second.lower()} ")
        assert bearer is not None
        assert bearer.login == me.login
    do(engine, me, badges.withdraw_badge, me.id)
    with reading(engine) as session:
        assert bearer_of(session, second) is None
        acts = session.scalars(
            select(AuditEntry.act).where(AuditEntry.subject_id == me.id).order_by(AuditEntry.id)
        ).all()
    assert acts == ["person:badge made", "person:badge made", "person:badge withdrawn"]


@pytest.mark.both_engines
def test_the_database_holds_one_badge_in_use_and_forgets_none(engine: Engine) -> None:
    """Whatever wrote the rows."""
    me = somebody(engine, "builder")
    do(engine, me, badges.make_badge, me.id)
    do(engine, me, badges.make_badge, me.id)

    for statement in (
        "INSERT INTO badge (person_id, code, made_at) SELECT person_id, 'X', made_at FROM badge",
        "UPDATE badge SET withdrawn_at = NULL WHERE withdrawn_at IS NOT NULL",
        "UPDATE badge SET code = 'X' WHERE withdrawn_at IS NULL",
        "DELETE FROM badge",
    ):
        with Session(engine) as session, pytest.raises(DBAPIError):
            session.execute(text(statement))


def test_nobody_makes_a_badge_or_pin_for_another(engine: Engine) -> None:
    """An admin may withdraw them, no more."""
    me, admin = somebody(engine, "builder"), somebody(engine, "admin")
    has_pin(engine, me)
    do(engine, me, badges.make_badge, me.id)

    with pytest.raises(NotAllowed):
        do(engine, admin, badges.make_badge, me.id)
    with pytest.raises(NotAllowed):
        do(engine, admin, badges.choose_pin, me.id, PIN, password=builders.PASSWORD)
    with pytest.raises(NotAllowed):
        do(engine, somebody(engine, "supervisor"), badges.withdraw_pin, me.id)
    do(engine, admin, badges.withdraw_badge, me.id)
    do(engine, admin, badges.withdraw_pin, me.id)
    with reading(engine) as session:
        keys = keys_of(session, me.id)
    assert (keys.badge, keys.pin_chosen_at) == (None, None)


@pytest.mark.parametrize("pin", ["27182", "2718281828", "27182x", "٢٧١٨٢٨", ""])
def test_a_pin_is_six_to_nine_digits(pin: str) -> None:
    """No password is one: those have ten signs or more."""
    assert not is_pin(pin)


@pytest.mark.parametrize(
    "pin", ["123456", "987654", "567890", "111111", "121212", "123123", "112211"]
)
def test_what_is_guessed_first_is_no_pin(engine: Engine, pin: str) -> None:
    """Runs and repetitions."""
    assert weakness(pin)
    with pytest.raises(Refused, match="nobody tries first"):
        has_pin(engine, somebody(engine, "builder"), pin)


def test_a_pin_is_chosen_with_the_password_and_kept_as_a_hash(engine: Engine) -> None:
    """The wrong password chooses nothing."""
    me = somebody(engine, "builder")

    with pytest.raises(Refused, match="not your password"):
        do(engine, me, badges.choose_pin, me.id, PIN, password="not the password")
    has_pin(engine, me)

    with reading(engine) as session:
        kept = session.scalars(select(PersonPin.pin_hash)).one()
        assert word_is_right(session, me.id, PIN, 1)
        assert not word_is_right(session, me.id, "314159", 1)
        assert not word_is_right(session, me.id, PIN, None), "on a tablet only"
    assert kept.startswith("$argon2id$")
    assert PIN not in kept


def test_no_hash_of_a_form_gives_a_pin_away() -> None:
    """A plain hash of six digits is undone by trying them all; what else was sent still counts."""
    first, second, other = (
        Form({"pin": [pin], "pin_again": [pin], "pin_password": [password], "username": [login]})
        for pin, password, login in (
            (PIN, builders.PASSWORD, "mira"),
            ("314159", "another password", "mira"),
            (PIN, builders.PASSWORD, "tomas"),
        )
    )

    assert first.key.payload_sha256 == second.key.payload_sha256
    assert first.key.payload_sha256 != other.key.payload_sha256


def test_a_new_password_ends_the_pin(engine: Engine) -> None:
    """Whoever made it, and whoever had chosen the PIN."""
    me = somebody(engine, "builder")
    has_pin(engine, me)

    do(engine, me, set_password, me.id, "quite another one", builders.PASSWORD)

    with reading(engine) as session:
        assert keys_of(session, me.id).pin_chosen_at is None


@pytest.mark.both_engines
def test_tries_are_counted_before_the_pin_is_compared(engine: Engine) -> None:
    """Five in a row; the database holds no sixth."""
    me = somebody(engine, "builder")
    has_pin(engine, me)

    for _ in range(5):
        with housekeeping(engine) as session:
            assert badges.begin_try(session, me.id)
    with housekeeping(engine) as session:
        assert not badges.begin_try(session, me.id)
    with Session(engine) as session, pytest.raises(DBAPIError):
        session.execute(text("UPDATE person_pin SET wrong_in_a_row = 6"))
    with housekeeping(engine) as session:
        badges.forget_tries(session, me.id)
    with housekeeping(engine) as session:
        assert badges.begin_try(session, me.id)


@pytest.mark.both_engines
def test_a_withdrawn_tablet_ends_what_was_entered_there(engine: Engine) -> None:
    """By PIN or badge; a session by password goes on."""
    super_, me = somebody(engine, "supervisor"), somebody(engine, "builder")
    secret = has_tablet(engine, super_)
    with reading(engine) as session:
        tablet = tablet_of(session, secret)
    assert tablet is not None
    assert tablet.label == "bench 2"
    with Session(engine) as session:
        for number, entered in enumerate(("password", "PIN", "badge")):
            session.add(a_session(me.id, str(number), entered, tablet.id))
        session.commit()

    do(engine, super_, badges.withdraw_tablet, tablet.id)

    with reading(engine) as session:
        assert tablet_of(session, secret) is None
        going_on = session.scalars(
            select(SignInSession.entered).where(SignInSession.ended_at.is_(None))
        ).all()
    assert going_on == [Entered.PASSWORD]
    with pytest.raises(Refused, match="withdrawn before"):
        do(engine, super_, badges.withdraw_tablet, tablet.id)
    with pytest.raises(NotAllowed):
        has_tablet(engine, me)


@pytest.mark.both_engines
def test_a_session_by_pin_or_badge_is_on_a_tablet(engine: Engine) -> None:
    """The database holds it."""
    me = somebody(engine, "builder")
    for entered in ("PIN", "badge"):
        with Session(engine) as session:
            session.add(a_session(me.id, "secret", entered, None))
            with pytest.raises(DBAPIError):
                session.flush()


def test_badge_and_pin_on_ones_own_page(signed_in_client: Clients) -> None:
    """Made, printed, chosen, withdrawn, by forms alone."""
    client = signed_in_client("builder")
    at = f"/people/{login_of(client)}"

    assert client.post(f"{at}/badge").headers["location"] == f"{at}/badge"
    printed = client.get(f"{at}/badge").text
    assert "<svg" in printed
    assert "WHO-" in printed
    weak = client.post(f"{at}/pin", data={"pin": "123456", "pin_again": "123456"})
    wrong = client.post(
        f"{at}/pin", data={"pin": PIN, "pin_again": PIN, "pin_password": "not the password"}
    )
    right = client.post(
        f"{at}/pin", data={"pin": PIN, "pin_again": PIN, "pin_password": builders.PASSWORD}
    )
    assert (weak.status_code, wrong.status_code, right.status_code) == (422, 422, 303)
    assert "run of digits" in weak.text
    assert "not your password" in wrong.text
    assert PIN not in wrong.text
    assert "Withdraw the PIN" in client.get(at).text
    assert client.post(f"{at}/pin/withdraw").status_code == 303
    assert client.post(f"{at}/badge/withdraw").status_code == 303
    assert client.get(f"{at}/badge").status_code == 404


def test_whoever_is_refused_anothers_badge_is_sent_to_nobody(signed_in_client: Clients) -> None:
    """Nobody can make it for them, so nobody is named who could."""
    theirs, admin = signed_in_client("builder"), signed_in_client("admin")

    refused = admin.post(f"/people/{login_of(theirs)}/badge")

    assert refused.status_code == 403
    assert "Everybody chooses their own badge." in refused.text
    assert "Ask " not in refused.text


def test_nobody_sees_another_ones_badge(signed_in_client: Clients) -> None:
    """It is no secret, but it is theirs."""
    theirs, admin = signed_in_client("builder"), signed_in_client("admin")
    theirs.post(f"/people/{login_of(theirs)}/badge")

    assert admin.get(f"/people/{login_of(theirs)}/badge").status_code == 404


def test_a_supervisor_enrols_the_browser_at_hand(app: Any, signed_in_client: Clients) -> None:
    """With the password; the cookie is out of scripts' reach and holds what only a hash is of."""
    client = signed_in_client("supervisor")

    wrong = client.post("/tablets", data={"label": "bench 2", "password": "not the password"})
    right = client.post("/tablets", data={"label": "bench 2", "password": builders.PASSWORD})

    assert (wrong.status_code, right.status_code) == (422, 303)
    cookie = next(line for line in right.headers.get_list("set-cookie") if "tablet" in line)
    assert "HttpOnly" in cookie
    assert "This browser is the tablet bench 2" in client.get("/tablets").text
    with reading(app.state.engine) as session:
        tablet = tablet_of(session, client.cookies[tablet_cookie(app.state.settings)])
    assert tablet is not None
    assert client.post(f"/tablets/{tablet.id}/withdraw").status_code == 303
    assert "This browser is the tablet" not in client.get("/tablets").text
    assert "Enrol this browser" not in signed_in_client("builder").get("/tablets").text


def test_every_badge_has_a_code_of_its_own(engine: Engine) -> None:
    """Codes of one length, which fit a printed code."""
    people = [somebody(engine, "builder") for _ in range(5)]
    codes = {do(engine, each, badges.make_badge, each.id) for each in people}

    assert len(codes) == len(people)
    assert {len(code) for code in codes} == {18}
    with reading(engine) as session:
        assert set(session.scalars(select(Badge.code))) == codes
