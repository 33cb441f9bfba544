"""Corrections: choosing the fact, writing what it should say, and deciding on it."""

import re
from collections import defaultdict
from dataclasses import dataclass, replace
from datetime import datetime

from fastapi import APIRouter, Request, Response
from sqlalchemy import Engine

from service.bench.changes.corrections import decide, propose
from service.bench.queries.approvals import may_decide_correction
from service.bench.queries.choices import logins_to_choose
from service.bench.queries.correctable_values import Asks
from service.bench.queries.correction_preview import Follows, Preview, preview
from service.bench.queries.corrections import (
    TURNS,
    Correctable,
    CorrectionView,
    Fact,
    PartFacts,
    correctable,
    correction,
)
from service.bench.tables import CorrectionOf
from service.people.pages.signatures import signing
from service.people.pages.signing_in import Database, Me
from service.people.queries.signers import remarks_beside
from service.platform.database import changing, now_utc, reading
from service.platform.errors import NotFound
from service.platform.pages.forms import Asked, Form, Typed, blank
from service.platform.pages.render import go_on, local, page
from service.platform.permissions import Act, Answer, Person, need
from service.records.changes.deviations import Stands, Unloaded
from service.records.queries.content import Verification, verify
from service.records.queries.records import people_on
from service.settings import Settings
from service.store.queries.scans import Hit, resolve_to_fit

router = APIRouter()
A_TIME = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d(:\d\d(\.\d+)?)?(Z|[+-]\d\d:\d\d)")
MORE = ("severity", "where", "facing")
"""What else is right of what is added."""
TIMES = (CorrectionOf.OPENED_AT, CorrectionOf.CLOSED_AT)
ORDER = (*TIMES, *(of for of in CorrectionOf if of not in TIMES))


@dataclass(frozen=True, slots=True)
class FactGroup:
    """Facts of one kind, to choose from. ``timed``: each was read at a time of its own."""

    title: str
    facts: tuple[Fact, ...]
    are_times: bool = False
    timed: bool = False


@dataclass(frozen=True, slots=True)
class ChoosePage:
    """The facts of a record which a correction can change."""

    record: Correctable
    groups: tuple[FactGroup, ...]


@dataclass(frozen=True, slots=True)
class NewPage:
    """The form of a correction of one fact."""

    record: Correctable
    fact: Fact
    form: Form
    is_time: bool
    turns: tuple[str, ...]
    candidates: tuple[Hit, ...]
    people: tuple[tuple[str, str], ...]


@dataclass(frozen=True, slots=True)
class CorrectionPage:
    """One correction: what it says, what follows, and the forms to decide on it."""

    view: CorrectionView
    preview: Preview
    record_verification: Verification | None
    decides: Answer
    remarks: tuple[str, ...]
    form: Form
    refuse: Form


@router.get("/records/{record_id}/corrections/new")
def show_new(
    request: Request, me: Me, database: Database, query: Asked, record_id: int
) -> Response:
    """Show the facts to choose from, or the form for the one chosen."""
    need(me, Act.CORRECTION_WRITE)
    of = query.choice("of", CorrectionOf, required=False)
    subject_id = query.whole("subject", required=False)
    field = query.text("field", required=False, most=200)
    with reading(database) as session:
        record = correctable(session, record_id)
    if of is None or subject_id is None:
        return page(request, "bench/corrections/choose.html", ChoosePage(record, _groups(record)))
    fact = _fact(record, of, subject_id, field)
    form = blank(request, new_value=fact.at) if fact.is_time else blank(request)
    return _new_page(request, database, record, fact, form)


@router.post("/records/{record_id}/corrections/new")
def write(request: Request, me: Me, database: Database, form: Typed, record_id: int) -> Response:
    """Propose a correction."""
    of = CorrectionOf(form.raw("of")) if form.raw("of") in set(CorrectionOf) else None
    subject_id = form.whole("subject")
    with reading(database) as session:
        record = correctable(session, record_id)
    fact = _fact(record, of, subject_id, form.raw("field"))
    with form.collecting_errors():
        new_value = _typed(form, fact)
        reason = form.text("reason")
        part_id = form.whole("part_id", required=False)
        stands = form.choice("stands", Stands, required=False)
        unloaded_first = form.choice("unloaded_first", Unloaded, required=False)
        because = form.reason("outside_because", required=False)
        with changing(database, me, key=form.key) as work:
            number = propose(
                work,
                record_id,
                of=fact.of,
                subject_id=fact.subject_id,
                field=fact.field,
                more={name: form.raw(name) for name in MORE if form.raw(name)},
                new_value=new_value,
                reason=reason,
                part_id=part_id,
                stands=stands,
                outside_because=because,
                unloaded_first=unloaded_first,
            )
            work.answer = f"/corrections/{number}"
        return go_on(request, work.answer)
    return _new_page(request, database, record, fact, form)


@router.get("/corrections/{correction_id}")
def show(request: Request, me: Me, database: Database, correction_id: int) -> Response:
    """Show a correction with everything that follows it."""
    need(me, Act.READ)
    return _sheet(request, database, me, correction_id)


@router.post("/corrections/{correction_id}/approve")
def sign(request: Request, me: Me, database: Database, form: Typed, correction_id: int) -> Response:
    """Approve a correction: it is carried out at once."""
    return _decide(request, database, me, correction_id, form, approve=True)


@router.post("/corrections/{correction_id}/refuse")
def turn_down(
    request: Request, me: Me, database: Database, form: Typed, correction_id: int
) -> Response:
    """Refuse a correction with the reason."""
    return _decide(request, database, me, correction_id, form, approve=False)


def _decide(
    request: Request, database: Engine, me: Person, correction_id: int, form: Form, *, approve: bool
) -> Response:
    name = "password" if approve else "refusal_password"
    with form.collecting_errors():
        reason = "" if approve else form.text("reason")
        password = form.raw(name)
        with signing(request, database, me, password), changing(database, me, key=form.key) as work:
            work.answer = f"/corrections/{correction_id}"
            decide(
                work,
                correction_id,
                approve=approve,
                content_sha256=form.raw("content_sha256"),
                password=password,
                reason=reason,
            )
        return go_on(request, work.answer)
    if not approve:
        form.move_refusal("password", "refusal_password")
    unused = blank(request)
    forms = (form, unused) if approve else (unused, form)
    return _sheet(request, database, me, correction_id, forms)


def _sheet(
    request: Request,
    database: Engine,
    me: Person,
    correction_id: int,
    forms: tuple[Form, Form] | None = None,
) -> Response:
    form, refuse = forms or (blank(request), blank(request))
    with reading(database) as session:
        view = correction(session, correction_id)
        context = CorrectionPage(
            view,
            _localised(request, preview(session, view)),
            verify(session, [view.record_id]).get(view.record_id),
            may_decide_correction(session, me, view),
            remarks_beside(
                session, me.id, people_on(session, [view.record_id])[view.record_id], now_utc()
            ),
            form,
            refuse,
        )
    status = max(form.status, refuse.status)
    return page(request, "bench/corrections/show.html", context, status)


def _new_page(
    request: Request, database: Engine, record: Correctable, fact: Fact, form: Form
) -> Response:
    hits: tuple[Hit, ...] = ()
    if isinstance(fact.details, PartFacts) and form.error("new_value"):
        hits = _candidates(database, form.raw("new_value"), fact.details)
    context = NewPage(
        record,
        fact,
        form,
        fact.is_time,
        tuple(TURNS) if fact.of is CorrectionOf.LAYER_FACING else (),
        hits if len(hits) > 1 else (),
        _people(database, fact),
    )
    return page(request, "bench/corrections/new.html", context, form.status)


def _candidates(database: Engine, text: str, details: PartFacts) -> tuple[Hit, ...]:
    """Parts that bear what was typed, to choose from where there are several."""
    with reading(database) as session:
        hits = resolve_to_fit(session, text, (details.kind,)).hits
    return tuple(hit for hit in hits if hit.part_kind is details.kind and hit.kind == "part")


def _typed(form: Form, fact: Fact) -> str:
    """What was typed; a time in the laboratory's zone becomes one that names its zone."""
    if not fact.is_time:
        needed = not getattr(fact.details, "is_optional", False)
        return form.text("new_value", required=needed)
    at = form.moment("new_value")
    return at.isoformat() if at is not None else ""


def _people(database: Engine, fact: Fact) -> tuple[tuple[str, str], ...]:
    """Who can be named instead, by login."""
    if getattr(fact.details, "asks", None) is not Asks.PERSON:
        return ()
    with reading(database) as session:
        return logins_to_choose(session)


def _fact(record: Correctable, of: CorrectionOf | None, subject_id: int | None, field: str) -> Fact:
    fact = record.fact(of, subject_id or 0, field) if of is not None else None
    if fact is None:
        raise NotFound("fact to correct", f"{of or ''} {subject_id or ''}".strip())
    return fact


def _groups(record: Correctable) -> tuple[FactGroup, ...]:
    groups: dict[tuple[CorrectionOf, str], list[Fact]] = defaultdict(list)
    for fact in sorted(record.facts, key=lambda fact: ORDER.index(fact.of)):
        groups[fact.of, _title(fact)].append(fact)
    return tuple(
        FactGroup(title, tuple(facts), of in TIMES, of is CorrectionOf.HOURS)
        for (of, title), facts in groups.items()
    )


def _title(fact: Fact) -> str:
    """What facts are listed under: those of entries by what kind of entry it is."""
    kind = getattr(fact.details, "kind", None) if fact.of is CorrectionOf.ENTRY else None
    return f"entry of a {kind}" if kind == CorrectionOf.TORQUE else str(kind or fact.of)


def _shown(request: Request, value: str) -> str:
    """A value as a person reads it: times in the laboratory's zone."""
    if not A_TIME.fullmatch(value):
        return value
    settings: Settings = request.app.state.settings
    return local(datetime.fromisoformat(value), settings.time_zone)


def _localised(request: Request, preview: Preview) -> Preview:
    rows = tuple(
        Follows(row.what, _shown(request, row.before), _shown(request, row.after))
        for row in preview.rows
    )
    return replace(preview, rows=rows)
