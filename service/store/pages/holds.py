"""Holds and concessions: the list, placing and lifting a hold, giving a concession."""

from dataclasses import asdict, dataclass

from fastapi import APIRouter, Request, Response
from sqlalchemy import Engine

from service.life.queries.grounds import GroundSeen, findings_to_rest_on
from service.people.pages.signing_in import Database, Me
from service.platform.arithmetic.fields import Field, choice, reason
from service.platform.arithmetic.vocabulary import Usability
from service.platform.database import changing, reading
from service.platform.errors import NotFound
from service.platform.pages.forms import Asked, Form, Typed, blank
from service.platform.pages.lists import Shown, shown, turn_asked
from service.platform.pages.render import go_on, page
from service.platform.permissions import Act, need
from service.records.arithmetic.lab_words import Answers
from service.records.queries.lab_words import reasons_for
from service.store.arithmetic.acceptance import FIELDS
from service.store.changes.holds import SUBJECTS, Subject, give_concession, lift_hold, place_hold
from service.store.changes.parts import JUDGEMENTS
from service.store.pages.parts import acceptance_in
from service.store.queries.forbids import Forbids, what_forbids
from service.store.queries.holds import (
    ADDRESSES,
    About,
    ConcessionRow,
    HeldSubject,
    HoldRow,
    concessions,
    hold,
    holds,
    subject,
)
from service.store.queries.part_lists import designs_to_choose

router = APIRouter(prefix="/holds")
GIVEN = "concessions_page"
HOLD_REASON = reason(help="What was seen or reported, and what has to be found out.")
CONCESSION_REASON = reason(
    help="Why this use is allowed, within what limits, and what was checked."
)
LIFT_FIELDS = (
    reason(help="What was found, and why it may be used or not."),
    choice(
        "judged",
        "From then on the part is",
        JUDGEMENTS,
        required=False,
        help="Choose another word if the finding changed what it is.",
    ),
)


@dataclass(frozen=True, slots=True)
class HoldsPage:
    """Holds, and concessions which were not used yet."""

    holds: Shown[HoldRow]
    concessions: Shown[ConcessionRow]
    form: Form


@dataclass(frozen=True, slots=True)
class HoldPage:
    """One hold, with the form that lifts it."""

    hold: HoldRow
    form: Form
    designs: tuple[tuple[int, str], ...]
    findings: tuple[GroundSeen, ...]
    fields: tuple[Field, ...] = LIFT_FIELDS
    acceptance: tuple[Field, ...] = FIELDS


@dataclass(frozen=True, slots=True)
class SubjectPage:
    """The form for a hold or concession; ``forbids`` is what stands in the way of a use now."""

    subject: HeldSubject
    forbids: tuple[Forbids, ...]
    form: Form
    hold: Field = HOLD_REASON
    concession: Field = CONCESSION_REASON


@router.get("")
def show_list(request: Request, me: Me, database: Database, query: Asked) -> Response:
    """List holds and concessions."""
    need(me, Act.READ)
    turn, turn_given = turn_asked(request, query), turn_asked(request, query, GIVEN)
    with reading(database) as session:
        holds_listed = holds(session, turn=turn, lifted_too=query.yes("lifted"))
        concessions_given = concessions(session, turn=turn_given, used_too=query.yes("lifted"))
    context = HoldsPage(
        shown(request, holds_listed), shown(request, concessions_given, GIVEN), query
    )
    return page(request, "store/holds/list.html", context, query.status)


@router.get("/new")
def show_new(request: Request, me: Me, database: Database, query: Asked) -> Response:
    """Show the form for a hold."""
    need(me, Act.HOLD_WRITE)
    return _subject_page(request, database, "store/holds/new.html", _about(query), blank(request))


@router.post("/new")
def place(request: Request, me: Me, database: Database, form: Typed, query: Asked) -> Response:
    """Place a hold."""
    about = _about(query)
    with form.collecting_errors():
        values = form.values([HOLD_REASON])
        with changing(database, me, key=form.key) as work:
            work.answer = f"/holds/{place_hold(work, _as_subject(about), **values)}"
        return go_on(request, work.answer)
    return _subject_page(request, database, "store/holds/new.html", about, form)


@router.get("/concessions/new")
def show_concession(request: Request, me: Me, database: Database, query: Asked) -> Response:
    """Show the form for a concession."""
    need(me, Act.CONCESSION_GIVE)
    return _subject_page(
        request, database, "store/holds/concession.html", _about(query), blank(request)
    )


@router.post("/concessions/new")
def concede(request: Request, me: Me, database: Database, form: Typed, query: Asked) -> Response:
    """Give a concession."""
    about = _about(query)
    with form.collecting_errors():
        why = form.reason("reason")
        with changing(database, me, key=form.key) as work:
            give_concession(work, _as_subject(about), reason=why)
            work.answer = _subject_address(about)
        return go_on(request, work.answer)
    return _subject_page(request, database, "store/holds/concession.html", about, form)


@router.get("/{hold_id}")
def show(request: Request, me: Me, database: Database, hold_id: int) -> Response:
    """Show one hold."""
    need(me, Act.READ)
    return _hold_page(request, database, hold_id, blank(request))


@router.post("/{hold_id}/lift")
def lift(request: Request, me: Me, database: Database, form: Typed, hold_id: int) -> Response:
    """Lift a hold."""
    with form.collecting_errors():
        values = form.values(LIFT_FIELDS)
        if values["judged"] == Usability.ACCEPTED_USED:
            values["acceptance"] = acceptance_in(form)
        with changing(database, me, key=form.key) as work:
            work.answer = f"/holds/{hold_id}"
            lift_hold(work, hold_id, **values)
        return go_on(request, work.answer)
    return _hold_page(request, database, hold_id, form)


NAMED = {name.removesuffix("_id"): name for name in SUBJECTS}
"""What an address names a subject by."""


def _about(query: Form) -> About:
    keys = {field: query.whole(name, required=False) for name, field in NAMED.items()}
    if list(keys.values()).count(None) != len(NAMED) - 1:
        raise NotFound("part, lot, part type, design, instrument or stack", "none was named")
    return About(**keys)


def _as_subject(about: About) -> Subject:
    return Subject(**asdict(about))


def _subject_address(about: About) -> str:
    name, key = next((name, key) for name, key in asdict(about).items() if key is not None)
    return f"{ADDRESSES[name.removesuffix('_id').replace('_', ' ')]}/{key}"


def _subject_page(
    request: Request, database: Engine, template: str, about: About, form: Form
) -> Response:
    with reading(database) as session:
        form.presets = reasons_for(session, Answers.CONCESSION)
        context = SubjectPage(subject(session, about), what_forbids(session, **asdict(about)), form)
    return page(request, template, context, form.status)


def _hold_page(request: Request, database: Engine, hold_id: int, form: Form) -> Response:
    with reading(database) as session:
        held = hold(session, hold_id)
        of_part = held.subject.kind == "part" and held.lifted_at is None
        designs = designs_to_choose(session) if of_part else ()
        findings = findings_to_rest_on(session, held.subject.id) if of_part else ()
        context = HoldPage(held, form, designs, findings)
    return page(request, "store/holds/show.html", context, form.status)
