"""People, their roles, their sign-in sessions and the tokens of machines."""

from enum import StrEnum

from sqlalchemy import CheckConstraint, Index, func
from sqlalchemy.orm import Mapped, mapped_column

from service.platform.tables import (
    Base,
    key,
    reference,
    sha256,
    short,
    text,
    unique_where,
    utc,
    word,
)


class Role(StrEnum):
    """What somebody may do; one person may have several."""

    BUILDER = "builder"
    QUALITY = "quality"
    SUPERVISOR = "supervisor"
    ADMIN = "admin"


class Entered(StrEnum):
    """How somebody came in: it decides what the session may do."""

    PASSWORD = "password"  # noqa: S105 - a word, not a secret
    PIN = "PIN"
    BADGE = "badge"


class Person(Base):
    """One person; never deleted, since the history names them."""

    __tablename__ = "person"
    __table_args__ = (CheckConstraint("login <> ''", name="login_is_given"),)
    id: Mapped[key]
    login: Mapped[str] = mapped_column(comment="as typed")
    name: Mapped[str]
    password_hash: Mapped[text] = mapped_column(comment="Argon2id; empty: cannot sign in")
    active: Mapped[bool]
    added_at: Mapped[utc]
    mail: Mapped[short | None] = mapped_column(
        comment="to tell accounts apart; nothing is sent there"
    )


Index("uq_person_login_lower", func.lower(Person.login), unique=True)


class FormerMail(Base):
    """A mail address a person had before: two accounts stay alike when one is changed."""

    __tablename__ = "former_mail"
    id: Mapped[key]
    person_id: Mapped[int] = reference("person", index=True)
    mail: Mapped[short]
    until: Mapped[utc]


class PersonRole(Base):
    """One role of one person, as of now; the trail keeps the changes."""

    __tablename__ = "person_role"
    person_id: Mapped[int] = reference("person", primary_key=True)
    role: Mapped[Role] = mapped_column(word(Role), primary_key=True)


class RoleRequest(Base):
    """A role an admin asked for themself or for an account like their own: a second one decides."""

    __tablename__ = "role_request"
    __table_args__ = (
        CheckConstraint(
            "(decided_at IS NULL) = (decided_by_id IS NULL)"
            " AND (decided_at IS NULL) = (granted IS NULL)",
            name="decided_by_somebody",
        ),
        CheckConstraint(
            "decided_by_id IS NULL OR NOT granted OR decided_at >= alone_from"
            " OR (decided_by_id <> asked_by_id AND decided_by_id <> person_id)",
            name="alone_after_a_day",
        ),
        unique_where(
            "uq_role_request_person_id_role_waiting",
            "person_id",
            "role",
            condition="decided_at IS NULL",
        ),
    )
    id: Mapped[key]
    person_id: Mapped[int] = reference("person")
    role: Mapped[Role] = mapped_column(word(Role))
    asked_by_id: Mapped[int] = reference("person")
    asked_at: Mapped[utc]
    alone_from: Mapped[utc] = mapped_column(comment="when one admin alone may grant it")
    decided_by_id: Mapped[int | None] = reference("person")
    decided_at: Mapped[utc | None]
    granted: Mapped[bool | None]


class PasswordMade(Base):
    """A password made for somebody by an admin, or on the command line (nobody).

    The newest one of a person counts. A row that names an admin lets nothing be signed before
    somebody else has confirmed the person.
    """

    __tablename__ = "password_made"
    __table_args__ = (
        CheckConstraint("made_by_id <> person_id", name="made_by_another"),
        CheckConstraint(
            "confirmed_by_id <> person_id AND confirmed_by_id <> made_by_id",
            name="confirmed_by_a_third",
        ),
        CheckConstraint(
            "made_by_id IS NULL OR confirmed_at IS NULL OR changed_at IS NOT NULL",
            name="chosen_before_confirmed",
        ),
        CheckConstraint(
            "confirmed_by_id IS NULL OR confirmed_at IS NOT NULL", name="confirmed_once"
        ),
        CheckConstraint("(changed_at IS NULL) = (changed_in IS NULL)", name="changed_in_a_session"),
    )
    id: Mapped[key]
    person_id: Mapped[int] = reference("person", index=True)
    made_by_id: Mapped[int | None] = reference("person", comment="none: the command line")
    made_at: Mapped[utc]
    changed_at: Mapped[utc | None] = mapped_column(comment="when the person chose another one")
    changed_in: Mapped[sha256 | None] = mapped_column(comment="hash of the session's secret")
    confirmed_by_id: Mapped[int | None] = reference("person", comment="none: the command line")
    confirmed_at: Mapped[utc | None]


class Badge(Base):
    """The code on somebody's badge: it says who is at the bench, and is no secret."""

    __tablename__ = "badge"
    __table_args__ = (
        unique_where("uq_badge_person_id_in_use", "person_id", condition="withdrawn_at IS NULL"),
    )
    id: Mapped[key]
    person_id: Mapped[int] = reference("person")
    code: Mapped[short] = mapped_column(unique=True)
    made_at: Mapped[utc]
    withdrawn_at: Mapped[utc | None]


class PersonPin(Base):
    """Somebody's PIN; it holds on enrolled tablets only."""

    __tablename__ = "person_pin"
    __table_args__ = (CheckConstraint("wrong_in_a_row BETWEEN 0 AND 5", name="five_wrong_at_most"),)
    person_id: Mapped[int] = reference("person", primary_key=True)
    pin_hash: Mapped[text] = mapped_column(comment="Argon2id")
    chosen_at: Mapped[utc]
    wrong_in_a_row: Mapped[int] = mapped_column(
        comment="tries begun since the last right one or sign-in with the password"
    )


class Tablet(Base):
    """A shared browser on which PINs and badges hold; only the hash of its secret is kept."""

    __tablename__ = "tablet"
    __table_args__ = (CheckConstraint("label <> ''", name="label_is_given"),)
    id: Mapped[key]
    label: Mapped[short]
    token_sha256: Mapped[sha256] = mapped_column(unique=True)
    enrolled_by_id: Mapped[int] = reference("person")
    enrolled_at: Mapped[utc]
    withdrawn_at: Mapped[utc | None]


class SignInSession(Base):
    """One signed-in browser; only the hash of its secret is kept."""

    __tablename__ = "sign_in_session"
    __table_args__ = (
        CheckConstraint(
            "entered = 'password' OR tablet_id IS NOT NULL", name="pin_and_badge_on_a_tablet"
        ),
    )
    id: Mapped[key]
    token_sha256: Mapped[sha256] = mapped_column(unique=True)
    person_id: Mapped[int] = reference("person", index=True)
    begun_at: Mapped[utc]
    seen_at: Mapped[utc]
    ended_at: Mapped[utc | None]
    browser_sha256: Mapped[sha256 | None] = mapped_column(
        index=True, comment="of a random value the browser keeps"
    )
    entered: Mapped[Entered] = mapped_column(word(Entered))
    tablet_id: Mapped[int | None] = reference("tablet", comment="none: a browser of one person")
    locked_at: Mapped[utc | None] = mapped_column(comment="until PIN or password is typed again")


class SignInAttempt(Base):
    """One attempt to sign in, for throttling."""

    __tablename__ = "sign_in_attempt"
    __table_args__ = (
        Index("ix_sign_in_attempt_login_at", "login", "at"),
        Index("ix_sign_in_attempt_address_at", "address", "at"),
    )
    id: Mapped[key]
    login: Mapped[str] = mapped_column(comment="lower case, as tried")
    address: Mapped[str]
    at: Mapped[utc]
    succeeded: Mapped[bool]


class FirstCode(Base):
    """The one-time code by which the first person is added; only its hash is kept."""

    __tablename__ = "first_code"
    __table_args__ = (
        CheckConstraint("expires_at > made_at", name="expires_later"),
        CheckConstraint("used_at <= expires_at", name="used_in_time"),
    )
    id: Mapped[key]
    code_hash: Mapped[text] = mapped_column(comment="Argon2id")
    made_at: Mapped[utc]
    expires_at: Mapped[utc]
    used_at: Mapped[utc | None]


class ApiToken(Base):
    """A secret for a machine or script acting for a person; only its hash is kept."""

    __tablename__ = "api_token"
    id: Mapped[key]
    token_sha256: Mapped[sha256] = mapped_column(unique=True)
    person_id: Mapped[int] = reference("person", index=True)
    label: Mapped[str]
    made_at: Mapped[utc]
    last_used_at: Mapped[utc | None]
    revoked_at: Mapped[utc | None]
