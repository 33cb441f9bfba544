"""Adding people, changing what they may do, and whose password is right."""

import pytest
from sqlalchemy import Engine

from service.people.changes.people import (
    add_person,
    change_roles,
    deactivate,
    make_token,
    reactivate,
    set_password,
)
from service.people.queries.people import (
    HASHER,
    credential_of,
    password_is_right,
    password_matches,
    people,
    person_by_login,
)
from service.people.queries.tokens import holder_of
from service.people.tables import Role
from service.platform.database import changing, reading
from service.platform.errors import NotAllowed, NotFound, Refused
from service.platform.permissions import Person

OWNER = Person(0, "", "command line", frozenset({Role.ADMIN}))
WORDS = "several words here"


def added(engine: Engine, login: str, *roles: Role, password: str = WORDS) -> Person:
    """Add somebody from the command line."""
    with changing(engine, OWNER) as work:
        add_person(work, login, f"{login.title()} Invented", roles or (Role.BUILDER,), password)
    with reading(engine) as session:
        known = person_by_login(session, login)
    return Person(known.id, known.login, known.name, known.roles)


def test_somebody_added_can_sign_in_with_any_case_of_the_login(engine: Engine) -> None:
    """And with the right password only."""
    person = added(engine, "Ines", Role.BUILDER, Role.QUALITY)

    with reading(engine) as session:
        credential = credential_of(session, " iNES ")
        assert person.roles == {Role.BUILDER, Role.QUALITY}
        assert password_matches(credential, WORDS)
        assert not password_matches(credential, WORDS + " ")
        assert not password_matches(None, "the password of nobody at all")
        assert password_is_right(session, person.id, WORDS)
        assert not password_is_right(session, 10_000, WORDS)


def test_a_password_is_kept_as_argon2id_only(engine: Engine) -> None:
    """With a salt of its own."""
    added(engine, "ines")
    added(engine, "omar")

    with reading(engine) as session:
        hashes = [credential_of(session, login) for login in ("ines", "omar")]
    kept = [credential.password_hash for credential in hashes if credential]
    assert all(text.startswith("$argon2id$") for text in kept)
    assert len(set(kept)) == 2


def test_the_service_hashes_with_the_low_memory_parameters_of_rfc_9106() -> None:
    """Section 4, the second recommended option: three passes over 64 MiB in four lanes."""
    assert HASHER.hash(WORDS).startswith("$argon2id$v=19$m=65536,t=3,p=4$")


@pytest.mark.parametrize(
    ("login", "name", "roles", "password", "field"),
    [
        ("i", "Ines", [Role.BUILDER], WORDS, "login"),
        ("ines/x", "Ines", [Role.BUILDER], WORDS, "login"),
        ("TAKEN", "Ines", [Role.BUILDER], WORDS, "login"),
        ("ines", "  ", [Role.BUILDER], WORDS, "name"),
        ("ines", "Ines", [], WORDS, "roles"),
        ("ines", "Ines", [Role.BUILDER], "short", "password"),
        ("ines", "Ines", [Role.BUILDER], "ines and more words", "password"),
        ("ines", "Ines", [Role.BUILDER], "x" * 201, "password"),
    ],
)
def test_what_cannot_be_taken_names_its_field(  # noqa: PLR0917 - given by name
    engine: Engine, login: str, name: str, roles: list[Role], password: str, field: str
) -> None:
    """And nobody is added."""
    added(engine, "taken")

    with pytest.raises(Refused) as refused, changing(engine, OWNER) as work:
        add_person(work, login, name, roles, password)

    assert refused.value.field == field
    with reading(engine) as session:
        assert [person.login for person in people(session).rows] == ["taken"]


@pytest.mark.both_engines
def test_the_last_admin_stays_one(engine: Engine) -> None:
    """Else nobody could add people any more."""
    first = added(engine, "first", Role.ADMIN)

    with pytest.raises(Refused), changing(engine, first) as work:
        change_roles(work, first.id, [Role.BUILDER])
    with pytest.raises(Refused), changing(engine, first) as work:
        deactivate(work, first.id)

    second = added(engine, "second", Role.ADMIN)
    with changing(engine, second) as work:
        change_roles(work, first.id, [Role.BUILDER])
    with reading(engine) as session:
        assert person_by_login(session, "first").roles == {Role.BUILDER}


def test_somebody_shut_out_keeps_their_name_and_comes_back(engine: Engine) -> None:
    """The records go on naming them."""
    person = added(engine, "ines")

    with changing(engine, OWNER) as work:
        deactivate(work, person.id, "left")
    with reading(engine) as session:
        assert credential_of(session, "ines") is None
        assert not password_is_right(session, person.id, WORDS)
        assert not person_by_login(session, "ines").active
    with changing(engine, OWNER) as work:
        reactivate(work, person.id, "came back")
    with reading(engine) as session:
        assert password_is_right(session, person.id, WORDS)


def test_somebody_without_a_password_is_named_only(engine: Engine) -> None:
    """Until one is set."""
    person = added(engine, "ines", password="")

    with reading(engine) as session:
        assert credential_of(session, "ines") is None
        assert not password_is_right(session, person.id, "")
    with changing(engine, OWNER) as work:
        set_password(work, person.id, WORDS)
    with reading(engine) as session:
        assert password_is_right(session, person.id, WORDS)


def test_only_an_admin_changes_what_others_may_do(engine: Engine) -> None:
    """Refused in the change, whichever face asks."""
    supervisor, other = added(engine, "supervisor", Role.SUPERVISOR), added(engine, "other")

    with pytest.raises(NotAllowed), changing(engine, supervisor) as work:
        change_roles(work, other.id, [Role.ADMIN])
    with pytest.raises(NotAllowed), changing(engine, supervisor) as work:
        set_password(work, other.id, WORDS)
    with pytest.raises(NotAllowed), changing(engine, supervisor) as work:
        make_token(work, other.id, "in their name")
    with pytest.raises(NotFound), changing(engine, OWNER) as work:
        deactivate(work, 10_000)


def test_a_token_speaks_for_its_person_until_they_are_shut_out(engine: Engine) -> None:
    """With their roles as they are."""
    person = added(engine, "ines")
    with changing(engine, person) as work:
        secret = make_token(work, person.id, "test bench 2")

    with reading(engine) as session:
        holder = holder_of(session, secret)
        assert holder is not None
        assert holder.person == person
    with changing(engine, OWNER) as work:
        deactivate(work, person.id)
    with reading(engine) as session:
        assert holder_of(session, secret) is None
