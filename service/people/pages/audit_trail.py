"""The audit trail: by person, date, kind and object, newest first."""

import re
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime, time, timedelta

from fastapi import APIRouter, Request, Response

from service.people.pages.signing_in import Database, Me
from service.platform.audit import Event
from service.platform.database import reading
from service.platform.pages import trail_words
from service.platform.pages.forms import Asked, Form
from service.platform.pages.lists import Shown, shown, turn_asked
from service.platform.pages.render import page
from service.platform.pages.trail_words import TrailSentence, said, value_in_words
from service.platform.permissions import Act, need
from service.platform.queries import audit_trail
from service.platform.queries.audit_trail import people_in_trail, trail
from service.settings import Settings

router = APIRouter(prefix="/audit-trail")
_SUBJECT = re.compile(r"([a-z ]{1,40}):([0-9]{1,15})")


@dataclass(frozen=True, slots=True)
class TrailPage:
    """Some entries of the trail and what was asked."""

    entries: Shown[TrailSentence]
    form: Form
    people: tuple[tuple[int, str], ...]
    kinds: tuple[tuple[str, str], ...]
    subject: str
    value: Callable[[object], str]


@router.get("")
def show(request: Request, me: Me, database: Database, query: Asked) -> Response:
    """Show the trail, newest first."""
    need(me, Act.READ)
    settings: Settings = request.app.state.settings
    subject = _subject(query)
    since, until = query.day("since", required=False), query.day("until", required=False)
    zone = settings.time_zone
    question = audit_trail.Asked(
        person_id=query.whole("person", required=False),
        since=None if since is None else datetime.combine(since, time(), zone).astimezone(UTC),
        until=None
        if until is None
        else datetime.combine(until + timedelta(days=1), time(), zone).astimezone(UTC),
        act=query.one_of("act", [value for value, _ in KINDS], required=False),
        subject=subject,
    )
    with reading(database) as session:
        entry_list = trail(session, question, turn_asked(request, query))
        people = people_in_trail(session)
    entries = tuple(said(entry) for entry in entry_list.rows)
    context = TrailPage(
        shown(request, entry_list.of(entries)),
        query,
        people,
        KINDS,
        _named(subject, entries),
        lambda value: value_in_words(value, zone),
    )
    return page(request, "people/audit_trail/show.html", context, query.status)


def _kinds() -> tuple[tuple[str, str], ...]:
    """Kinds of acts to choose from: each subject, and each act on it."""
    choices: dict[str, str] = {}
    for did in Event:
        kind, act = did.value.split(":")
        choices.setdefault(kind, f"{kind}: everything")
        choices[did.value] = f"{kind}: {act}"
    return tuple(choices.items())


KINDS = _kinds()


def _subject(query: Form) -> tuple[str, int] | None:
    """The one object asked for: ``subject=part:12``, or ``kind=part`` and ``subject=12``."""
    text = query.raw("subject").strip()
    if text.isdigit() and query.raw("kind"):
        text = f"{query.raw('kind')}:{text}"
    if not text:
        return None
    match = _SUBJECT.fullmatch(text)
    if not match:
        query.refuse("subject", "is no object", "Right would be a kind and a number: part:12.")
        return None
    query.typed["subject"] = (text,)
    return match[1], int(match[2])


def _named(subject: tuple[str, int] | None, entries: tuple[TrailSentence, ...]) -> str:
    if subject is None:
        return ""
    kind, number = subject
    for each in entries:
        if (each.entry.subject_kind, each.entry.subject_id) == subject:
            label = each.entry.subject_label
            return label if kind in trail_words.NAMED else f"{kind} {label}"
    return f"{kind} {number}"
