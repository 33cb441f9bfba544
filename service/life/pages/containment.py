"""What else is exposed with a failing part, and holding all of it or what is chosen at once."""

from dataclasses import dataclass

from fastapi import APIRouter, Request, Response
from sqlalchemy import Engine

from service.life.queries.containment import Containment, containment
from service.life.queries.traces import trace
from service.people.pages.signing_in import Database, Me
from service.platform.database import changing, reading
from service.platform.errors import Refused
from service.platform.pages.forms import Form, Number, Typed, blank
from service.platform.pages.render import go_on, page
from service.platform.permissions import Act, need
from service.store.changes.holds import Subject, place_holds
from service.store.queries.part_lists import part_facts

router = APIRouter(prefix="/parts")
HELD_HERE = ("part", "lot", "instrument")


@dataclass(frozen=True, slots=True)
class ContainmentPage:
    """What is exposed, with the form that holds it."""

    contained: Containment
    form: Form


@router.get("/{part_id}/containment")
def show(request: Request, me: Me, database: Database, part_id: Number) -> Response:
    """Show what else is exposed with a part."""
    need(me, Act.READ)
    return _containment_page(request, database, part_id, blank(request))


@router.post("/{part_id}/containment")
def hold(request: Request, me: Me, database: Database, form: Typed, part_id: Number) -> Response:
    """Hold all that was shown, or what is chosen of it."""
    need(me, Act.HOLD_WRITE)
    with form.collecting_errors():
        reason = form.text("reason")
        chosen = form.raw_all("every") if form.yes("all") else form.raw_all("chosen")
        with changing(database, me, key=form.key) as work:
            work.answer = f"/parts/{part_id}/containment"
            part = part_facts(work.session, part_id)
            place_holds(
                work,
                [_subject(name) for name in chosen],
                reason=reason,
                about=("part", part_id, f"what is exposed with {part.label}"),
            )
        return go_on(request, work.answer)
    return _containment_page(request, database, part_id, form)


def _subject(name: str) -> Subject:
    """What a box of the form stands for: lot-12, part-7, instrument-3."""
    kind, _, number = name.partition("-")
    if kind not in HELD_HERE or not number.isdecimal() or len(number) > 15:
        raise Refused("chosen", name, "this is nothing that can be held.", "Choose from the list.")
    return Subject(**{f"{kind}_id": int(number)})


def _containment_page(request: Request, database: Engine, part_id: int, form: Form) -> Response:
    with reading(database) as session:
        containment_found = containment(session, trace(session, part_id))
    return page(
        request,
        "life/traces/containment.html",
        ContainmentPage(containment_found, form),
        form.status,
    )
