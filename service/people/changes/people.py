"""People: adding them, their roles, their passwords, their API tokens."""

import re
import secrets
from collections.abc import Iterable, Sequence
from datetime import datetime, timedelta

from argon2 import PasswordHasher
from sqlalchemy import delete, func, select, update
from sqlalchemy.orm import Session

from service.people.queries.passwords import code_of, is_confirmed, password_standing
from service.people.queries.people import (
    HASHER,
    Credential,
    anybody_is_known,
    password_is_right,
    password_matches,
    secret_sha256,
)
from service.people.queries.role_requests import A_DAY, other_admins, roles_waiting
from service.people.queries.signers import accounts_like, is_like
from service.people.tables import (
    ApiToken,
    Badge,
    Entered,
    FirstCode,
    FormerMail,
    PasswordMade,
    Person,
    PersonPin,
    PersonRole,
    Role,
    RoleRequest,
    SignInAttempt,
    SignInSession,
)
from service.platform import permissions
from service.platform.audit import Change, Event
from service.platform.changes import optional_words
from service.platform.database import Work
from service.platform.errors import NotAllowed, NotFound, Question, Refused
from service.platform.permissions import Act, RecordFacts, need

# Sign-in sessions and attempts: housekeeping outside the trail (``database.housekeeping``).


ATTEMPTS_KEPT = timedelta(days=30)


SESSIONS_KEPT = timedelta(days=90)


def begin_session(
    session: Session,
    person_id: int,
    secret: str,
    now: datetime,
    browser: str = "",
    *,
    entered: Entered = Entered.PASSWORD,
    tablet_id: int | None = None,
) -> None:
    """Begin a session under a fresh secret, and clear away what is long over.

    ``browser`` is the random value by which the browser is known again; its hash is kept.
    """
    session.execute(delete(SignInAttempt).where(SignInAttempt.at < now - ATTEMPTS_KEPT))
    session.execute(delete(SignInSession).where(SignInSession.seen_at < now - SESSIONS_KEPT))
    session.add(
        SignInSession(
            token_sha256=secret_sha256(secret),
            person_id=person_id,
            begun_at=now,
            seen_at=now,
            ended_at=None,
            browser_sha256=secret_sha256(browser) if browser else None,
            entered=entered,
            tablet_id=tablet_id,
            locked_at=None,
        )
    )


def note_seen(session: Session, session_id: int, now: datetime) -> None:
    """Note that a session was used."""
    session.execute(update(SignInSession).where(SignInSession.id == session_id).values(seen_at=now))


def end_session(session: Session, secret: str, now: datetime) -> None:
    """End the session of one browser."""
    session.execute(
        update(SignInSession)
        .where(
            SignInSession.token_sha256 == secret_sha256(secret), SignInSession.ended_at.is_(None)
        )
        .values(ended_at=now)
    )


def end_sessions_of(
    session: Session, person_id: int, now: datetime, but_secret: str | None = None
) -> None:
    """End all sessions of a person, but the one at hand."""
    ending = update(SignInSession).where(
        SignInSession.person_id == person_id, SignInSession.ended_at.is_(None)
    )
    if but_secret:
        ending = ending.where(SignInSession.token_sha256 != secret_sha256(but_secret))
    session.execute(ending.values(ended_at=now))


def note_attempt(
    session: Session, login: str, address: str, now: datetime, *, succeeded: bool
) -> None:
    """Note an attempt to sign in, for throttling."""
    session.add(
        SignInAttempt(
            login=login.strip().lower()[:200], address=address[:200], at=now, succeeded=succeeded
        )
    )


# The first person: added with a one-time code that only the server's terminal shows.

CODE_LETTERS = "ABCDEFGHJKMNPQRSTVWXYZ23456789"
"""Without those taken for one another: 0 and O, 1, I and L, U and V."""
CODE_GROUPS, CODE_GROUP = 3, 4
CODE_HOLDS = timedelta(hours=1)
FIRST = permissions.Person(0, "one-time code", "one-time code", frozenset({Role.ADMIN}))
"""Who adds the first person; no login has a space in it."""


def random_code() -> str:
    """Make groups of letters and digits that are read aloud without mistakes: 58 random bits."""
    return "-".join(
        "".join(secrets.choice(CODE_LETTERS) for _ in range(CODE_GROUP)) for _ in range(CODE_GROUPS)
    )


def make_first_code(session: Session, now: datetime) -> str:
    """Make the one-time code for the first person; those of before hold no longer.

    Housekeeping, outside the trail. Only the hash is kept: 58 random bits, Argon2id.
    """
    session.execute(delete(FirstCode))
    code = random_code()
    session.add(
        FirstCode(
            code_hash=HASHER.hash(_code_typed(code)),
            made_at=now,
            expires_at=now + CODE_HOLDS,
            used_at=None,
        )
    )
    return code


def _code_typed(code: str) -> str:
    """The letters and digits of a code, however it was typed."""
    return "".join(sign for sign in code.upper() if sign.isalnum())


def add_first_person(
    work: Work, code: str, login: str, name: str, more: Iterable[Role], *, password: str
) -> int:
    """Add the first person, an admin, by the one-time code; it holds once.

    Raises Refused for a code that is wrong, used or expired, and once somebody is known.
    """
    if anybody_is_known(work.session):
        raise Refused(
            "code", "", "somebody is known here already.", "Sign in, or ask an admin to add you."
        )
    row = work.session.scalar(
        select(FirstCode).order_by(FirstCode.id.desc()).limit(1).with_for_update()
    )
    if row is None or row.used_at is not None or row.expires_at < work.now:
        raise Refused(
            "code",
            "",
            "the code has expired.",
            "Stop the server and start it again: layerbook serve prints a new one.",
        )
    if not password_matches(Credential(0, row.code_hash), _code_typed(code)):
        raise Refused("code", "", "this is not the code.", "The server printed it as it started.")
    if not password:
        raise Refused("password", "", "a password is needed.", "Several words are easiest.")
    row.used_at = work.now
    return add_person(work, login, name, {Role.ADMIN, *more}, password)


LOGIN = re.compile(r"[a-z0-9][a-z0-9._-]{1,39}", re.IGNORECASE)
SHORTEST_PASSWORD, LONGEST_PASSWORD = 10, 200
TOKEN_PREFIX = "layerbook_"  # noqa: S105 - marks a leaked token for what it is


def add_person(
    work: Work,
    login: str,
    name: str,
    roles: Iterable[Role],
    password: str = "",
    *,
    mail: str = "",
    like_name: str = "",
    hasher: PasswordHasher | None = None,
) -> int:
    """Add somebody; without a password they are named in records but cannot sign in.

    Raises Question for a name or mail like somebody's; ``like_name`` "another" answers it.

    ``hasher`` is another one only for passwords which are no secret, in invented histories.
    """
    need(work.by, Act.PEOPLE_WRITE)
    login, name, held = login.strip(), name.strip(), _ordered(roles)
    if not LOGIN.fullmatch(login):
        raise Refused(
            "login",
            login,
            "is not a login",
            "Right would be 2 to 40 letters, digits, dots, hyphens or underlines.",
        )
    if work.session.scalar(select(Person.id).where(func.lower(Person.login) == login.lower())):
        raise Refused("login", login, "somebody has this login already", "Choose another one.")
    if not 1 <= len(name) <= 200:
        raise Refused("name", name, "a name of 1 to 200 signs is needed")
    mail = optional_words("mail", mail)
    if like_name != "another":
        _ask_who_is_like(name, accounts_like(work.session, name, mail))
    person = Person(
        login=login,
        name=name,
        mail=mail or None,
        password_hash=_hashed(password, login, hasher) if password else "",
        active=True,
        added_at=work.now,
    )
    work.session.add(person)
    work.session.flush()
    work.session.add_all(PersonRole(person_id=person.id, role=role) for role in held)
    changes: list[Change] = [
        ("login", None, login),
        ("name", None, name),
        ("mail", None, mail or None),
        ("roles", None, _in_words(held)),
    ]
    work.note(Event.PERSON_ADDED, ("person", person.id, name), changes)
    if password:
        _note_maker(work, person.id)
    return person.id


def change_roles(work: Work, person_id: int, roles: Iterable[Role]) -> None:
    """Give somebody other roles; the last admin stays one.

    Roles an admin adds to their own account, or to one with a like name, the same mail or the same
    browser within 12 h, wait for a second admin; see `decide_role`.
    """
    need(work.by, Act.PEOPLE_WRITE)
    person, held = _person(work.session, person_id), _ordered(roles)
    before = _roles(work.session, person_id)
    if Role.ADMIN in before and Role.ADMIN not in held:
        _another_admin(work.session, person_id, "roles", _in_words(held))
    added = [role for role in held if role not in before]
    if added and _is_own(work, person_id):
        held = tuple(role for role in held if role in before) or before
        _ask_for(work, person, added)
    if held == before:
        if not added:
            raise Refused("roles", _in_words(held), "they have these roles.", "Other ones.")
        return
    work.session.execute(delete(PersonRole).where(PersonRole.person_id == person_id))
    work.session.add_all(PersonRole(person_id=person_id, role=role) for role in held)
    changes: list[Change] = [("roles", _in_words(before), _in_words(held))]
    work.note(Event.PERSON_ROLES, ("person", person_id, person.name), changes)


LIKE = "like whoever asked, by name, mail address or browser"


def decide_role(work: Work, request_id: int, *, grant: bool, password: str) -> None:
    """Grant or refuse a role an admin asked for themself, with the password again.

    A second admin decides. Where there is none, whoever asked may grant it after a day; everybody
    has read of it on every page since, and it stands beside their signatures. Whoever asked may
    withdraw it (refuse) at any time.
    """
    need(work.by, Act.ROLE_DECIDE)
    row = work.locked(RoleRequest, request_id, "role asked for")
    person = _person(work.session, row.person_id)
    if row.decided_at is not None:
        raise Refused("role", row.role, "it was decided on before.")
    askers = (row.asked_by_id, row.person_id)
    is_own = work.by.id in askers or is_like(work.session, row.asked_by_id, work.by.id, work.now)
    if grant and is_own:
        if other_admins(work.session, (*askers, work.by.id)):
            why = "You asked for it" if work.by.id in askers else f"You are {LIKE}"
            raise NotAllowed(Act.ROLE_DECIDE.value, f"{why}: a second admin decides.")
        if work.now < row.alone_from:
            reason = "no second admin is here" + (
                "" if work.by.id in askers else f" who is not {LIKE}"
            )
            raise Refused(
                "role",
                row.role,
                f"{reason}, so it waits until {row.alone_from:%Y-%m-%d %H:%M} UTC.",
                "Everybody reads of it meanwhile.",
            )
    check_password(work, password)
    row.decided_by_id, row.decided_at, row.granted = work.by.id, work.now, grant
    before = _roles(work.session, person.id)
    if grant and row.role not in before:
        work.session.add(PersonRole(person_id=person.id, role=row.role))
    did = Event.ROLE_GRANTED if grant else Event.ROLE_REFUSED
    label = f"{row.role} for {person.name}"
    changes: list[Change] = [("second admin", None, not is_own)]
    work.note(did, ("person", person.id, label), changes)


def _is_own(work: Work, person_id: int) -> bool:
    """Whether an account is the one at work, or looks like it; the command line has none."""
    if not work.by.id:
        return False
    return work.by.id == person_id or is_like(work.session, work.by.id, person_id, work.now)


def _ask_for(work: Work, person: Person, added: Sequence[Role]) -> None:
    waiting = {row.role for row in roles_waiting(work.session, person.id)}
    if again := [role for role in added if role in waiting]:
        raise Refused("roles", _in_words(again), "it was asked for already.", "It waits below.")
    work.session.add_all(
        RoleRequest(
            person_id=person.id,
            role=role,
            asked_by_id=work.by.id,
            asked_at=work.now,
            alone_from=work.now + A_DAY,
        )
        for role in added
    )
    work.session.flush()
    label = f"{_in_words(added)} for {person.name}"
    work.note(Event.ROLE_ASKED, ("person", person.id, label), [("asked for", None, label)])


def change_mail(work: Work, person_id: int, mail: str, *, like_name: str = "") -> None:
    """Change a mail address: one's own, or somebody else's as an admin.

    The one of before is kept, so that an account which was like another stays so. Raises Question
    for one somebody else has or had; ``like_name`` "another" answers it.
    """
    need(work.by, Act.MAIL_WRITE if work.by.id == person_id else Act.PEOPLE_WRITE)
    person = work.locked(Person, person_id, "person")
    before, after = person.mail, optional_words("mail", mail) or None
    if after == before:
        raise Refused("mail", after or "", "it is so already.", "Another address, or none.")
    if after and like_name != "another":
        _ask_who_is_like(after, accounts_like(work.session, "", after, but=person_id))
    if before:
        work.session.add(FormerMail(person_id=person_id, mail=before, until=work.now))
    person.mail = after
    work.session.flush()
    work.note(Event.PERSON_MAIL, ("person", person_id, person.name), [("mail", before, after)])


def _ask_who_is_like(value: str, alike: Sequence[str]) -> None:
    if alike:
        raise Question(
            "like_name",
            value,
            f"{', '.join(alike)} is here already, with a like name or the same mail.",
            "One person needs one account. Say so below if this is somebody else.",
            answers={"another": "This is somebody else"},
            facts={"known": ", ".join(alike)},
        )


def deactivate(work: Work, person_id: int, reason: str = "") -> None:
    """Shut somebody out at once, tokens, badge and PIN for good; the records keep naming them."""
    need(work.by, Act.PEOPLE_WRITE)
    person = _person(work.session, person_id)
    if Role.ADMIN in _roles(work.session, person_id):
        _another_admin(work.session, person_id, "active", "no")
    before, person.active = person.active, False
    end_sessions_of(work.session, person_id, work.now)
    _revoke_tokens(work, person_id)
    work.session.execute(delete(PersonPin).where(PersonPin.person_id == person_id))
    work.session.execute(
        update(Badge)
        .where(Badge.person_id == person_id, Badge.withdrawn_at.is_(None))
        .values(withdrawn_at=work.now)
    )
    work.note(
        Event.PERSON_ACTIVE,
        ("person", person_id, person.name),
        [("let in", before, False)],
        reason=reason,
    )


def reactivate(work: Work, person_id: int, reason: str = "") -> None:
    """Let somebody in again."""
    need(work.by, Act.PEOPLE_WRITE)
    person = _person(work.session, person_id)
    before, person.active = person.active, True
    work.note(
        Event.PERSON_ACTIVE,
        ("person", person_id, person.name),
        [("let in", before, True)],
        reason=reason,
    )


def set_password(
    work: Work, person_id: int, new: str, old: str | None = None, but_secret: str | None = None
) -> None:
    """Set a password: one's own with the old one, somebody else's as an admin.

    All other sessions of the person end, and their PIN holds no longer; ``but_secret`` is the
    session at hand, which stays. A password made by an admin waits for a confirmation, see
    `confirm_person`.
    """
    person = _person(work.session, person_id)
    if work.by.id == person_id:
        if not password_is_right(work.session, person_id, old or ""):
            raise Refused("old_password", "", "this is not your present password")
    else:
        need(work.by, Act.PEOPLE_WRITE)
    person.password_hash = _hashed(new, person.login)
    end_sessions_of(work.session, person_id, work.now, but_secret)
    work.session.execute(delete(PersonPin).where(PersonPin.person_id == person_id))
    if work.by.id == person_id:
        _note_chosen(work, person_id, but_secret)
    else:
        _note_maker(work, person_id)
    work.note(Event.PERSON_PASSWORD, ("person", person_id, person.name))


def confirm_person(work: Work, person_id: int, *, code: str, password: str) -> None:
    """Confirm, by the code on their screen, that an account is the person it names.

    It is needed once for each password an admin made, before the person signs anything. Neither
    that admin nor the person does it, nor anybody who waits for it themselves; the machine's owner
    may on the command line (person 0). The code stands in the session in which the person chose
    their own password, the only one that goes on then. Tokens made in between are revoked.
    """
    person = work.locked(Person, person_id, "person")
    standing = password_standing(work.session, person_id)
    maker = standing.made_by_id if standing else None
    need(work.by, Act.PERSON_CONFIRM, RecordFacts(written_by=maker or 0))
    if standing is None or standing.is_confirmed:
        raise Refused("person", person.name, "nothing is to be confirmed: they may sign.")
    if work.by.id == person_id:
        raise NotAllowed(Act.PERSON_CONFIRM.value, "Somebody else confirms you, not you yourself.")
    if work.by.id:
        check_password(work, password)
    code_now = code_of(work.session, standing)
    if not code_now:
        raise Refused(
            "code",
            code,
            f"{person.name} shows no code yet.",
            "They sign in, choose a password of their own, and open their own page.",
        )
    if not secrets.compare_digest(_code_typed(code).encode(), code_now.encode()):
        raise Refused(
            "code", code, "this is not the code.", f"{person.name} reads it on their own page."
        )
    row = work.session.get_one(PasswordMade, standing.id)
    row.confirmed_by_id, row.confirmed_at = work.by.id or None, work.now
    _revoke_tokens(work, person_id, since=standing.made_at)
    changes: list[Change] = [
        ("may sign", False, True),
        ("password made by", None, standing.made_by),
    ]
    work.note(Event.PERSON_CONFIRMED, ("person", person_id, person.name), changes)


def _note_maker(work: Work, person_id: int) -> None:
    """Note who made a password, and revoke the tokens made under one that nobody confirmed.

    Whoever made that one may have made them.
    """
    standing = password_standing(work.session, person_id)
    if standing is not None and not standing.is_confirmed:
        _revoke_tokens(work, person_id, since=standing.made_at)
    work.session.add(
        PasswordMade(person_id=person_id, made_by_id=work.by.id or None, made_at=work.now)
    )
    work.session.flush()


def _note_chosen(work: Work, person_id: int, secret: str | None) -> None:
    """Note in which session somebody chose their own password after one that was made for them."""
    standing = password_standing(work.session, person_id)
    if standing is not None and not standing.is_confirmed and secret:
        row = work.session.get_one(PasswordMade, standing.id)
        row.changed_at, row.changed_in = work.now, secret_sha256(secret)
        work.session.flush()


def _revoke_tokens(work: Work, person_id: int, since: datetime | None = None) -> None:
    revoking = update(ApiToken).where(
        ApiToken.person_id == person_id, ApiToken.revoked_at.is_(None)
    )
    if since is not None:
        revoking = revoking.where(ApiToken.made_at >= since)
    work.session.execute(revoking.values(revoked_at=work.now))


def make_token(work: Work, person_id: int, label: str) -> str:
    """Make an API token which acts for a person; the secret returned is shown once and not kept.

    One's own; the machine's owner may make one for anybody on the command line (person 0).
    """
    need(work.by, Act.TOKEN_WRITE)
    if work.by.id not in (0, person_id):
        raise NotAllowed(Act.TOKEN_WRITE.value, "Everybody makes and revokes their own tokens.")
    label = label.strip()
    if not 1 <= len(label) <= 100:
        raise Refused(
            "label", label, "a purpose of 1 to 100 signs is needed", "Such as test bench 2."
        )
    person = _person(work.session, person_id)
    secret = TOKEN_PREFIX + secrets.token_urlsafe(32)
    token = ApiToken(
        token_sha256=secret_sha256(secret),
        person_id=person_id,
        label=label,
        made_at=work.now,
        last_used_at=None,
        revoked_at=None,
    )
    work.session.add(token)
    work.session.flush()
    subject = ("token", token.id, f"{label} of {person.name}")
    work.note(Event.TOKEN_MADE, subject, [("label", None, label)])
    return secret


def revoke_token(work: Work, token_id: int) -> None:
    """Revoke a token for good: its own person, or an admin."""
    token = work.row(ApiToken, token_id, "token")
    need(work.by, Act.TOKEN_WRITE if work.by.id == token.person_id else Act.PEOPLE_WRITE)
    if token.revoked_at is not None:
        raise Refused("token", token.label, "was revoked before")
    token.revoked_at = work.now
    person = _person(work.session, token.person_id)
    subject = ("token", token.id, f"{token.label} of {person.name}")
    work.note(Event.TOKEN_REVOKED, subject, [("revoked", False, True)])


def _person(session: Session, person_id: int) -> Person:
    person = session.get(Person, person_id)
    if person is None:
        raise NotFound("person", person_id)
    return person


def _roles(session: Session, person_id: int) -> tuple[Role, ...]:
    held = set(session.scalars(select(PersonRole.role).where(PersonRole.person_id == person_id)))
    return tuple(role for role in Role if role in held)


def _ordered(roles: Iterable[Role]) -> tuple[Role, ...]:
    distinct = set(roles)
    if not distinct:
        raise Refused("roles", "", "at least one role is needed", "Choose what they do.")
    return tuple(role for role in Role if role in distinct)


def _in_words(roles: Iterable[Role]) -> str:
    return ", ".join(role.value for role in roles)


def _another_admin(session: Session, person_id: int, field: str, value: str) -> None:
    others = session.scalar(
        select(func.count())
        .select_from(PersonRole)
        .join(Person, Person.id == PersonRole.person_id)
        .where(PersonRole.role == Role.ADMIN, Person.active, Person.id != person_id)
    )
    if not others:
        raise Refused(
            field, value, "nobody would be left who may add people", "Name another admin first."
        )


def _hashed(password: str, login: str, hasher: PasswordHasher | None = None) -> str:
    if not SHORTEST_PASSWORD <= len(password) <= LONGEST_PASSWORD:
        raise Refused(
            "password",
            "",
            f"has {len(password)} signs",
            f"Right would be {SHORTEST_PASSWORD} to {LONGEST_PASSWORD}; several words are easiest.",
        )
    if login.lower() in password.lower():
        raise Refused("password", "", "contains the login", "Choose words that are not your name.")
    return (hasher or HASHER).hash(password)


def check_confirmed(work: Work) -> None:
    """Refuse a signature of somebody whose password an admin made and nobody confirmed."""
    if not is_confirmed(work.session, work.by.id):
        raise Refused(
            "signed by",
            work.by.name,
            "an admin made this password, and nobody has confirmed the person yet.",
            "Somebody else confirms you by the code on your own page.",
        )


def check_password(work: Work, password: str) -> None:
    """Ask a signature's password again, of a person who is confirmed. Raises Refused."""
    check_confirmed(work)
    if not password:
        raise Refused("password", "", "a signature asks for your password.", "Type it once more.")
    if not password_is_right(work.session, work.by.id, password):
        raise Refused(
            "password", "", "this is not your password; nothing was signed.", "Type it once more."
        )
