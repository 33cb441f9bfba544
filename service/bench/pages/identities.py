"""Parts without a readable serial: one is added, and it is said which part it is."""

from dataclasses import dataclass
from urllib.parse import urlencode

from fastapi import APIRouter, Request, Response
from sqlalchemy import Engine
from sqlalchemy.orm import Session

from service.bench.changes.identities import propose_identity
from service.people.pages.signing_in import Database, Me
from service.platform.database import changing, reading
from service.platform.errors import Refused
from service.platform.pages.forms import Asked, Form, Typed, blank
from service.platform.pages.render import go_on, page
from service.platform.permissions import Act, need
from service.records.changes.attachments import put_attachment
from service.records.pages.attachments import stored_files
from service.settings import Settings
from service.store.changes.identities import add_unread
from service.store.queries.part_lists import PartFacts, part_facts
from service.store.queries.part_types import PartTypeFacts, part_types
from service.store.queries.proposals import Proposal, proposals_of
from service.store.queries.scans import A_PART, resolve, several_bear
from service.store.tables import ChangeKind, Part

router = APIRouter(prefix="/parts")


@dataclass(frozen=True, slots=True)
class UnreadPage:
    """The form of a part without a readable serial."""

    form: Form
    part_types: tuple[PartTypeFacts, ...]
    most_mb: int


@dataclass(frozen=True, slots=True)
class IdentityPage:
    """Which part a temporary one is, and what was proposed of that."""

    form: Form
    part: PartFacts
    proposals: tuple[Proposal, ...]


@router.get("/unread")
def show_unread(request: Request, me: Me, database: Database, query: Asked) -> Response:
    """Show the form of a part without a readable serial."""
    need(me, Act.PART_WRITE)
    keep = {name: query.raw(name) for name in ("record", "at", "end", "part_type")}
    return _unread(request, database, blank(request, **keep))


@router.post("/unread")
def add(request: Request, me: Me, database: Database, form: Typed) -> Response:
    """Add it under a temporary identity, with photos; then go back to the bench it lies at."""
    need(me, Act.PART_WRITE)
    with form.collecting_errors():
        type_id, seen = form.whole("part_type"), form.text("seen", most=1000)
        record_id = form.whole("record", required=False)
        photos = stored_files(request, form, "photos")
        with changing(database, me, key=form.key) as work:
            part_id = add_unread(work, part_type_id=type_id or 0, seen=seen)
            for photo in photos:
                put_attachment(work, photo, part_id=part_id)
            work.answer = f"/parts/{part_id}"
            if record_id is not None:
                serial = work.session.get_one(Part, part_id).serial or ""
                then = {"at": form.raw("at"), "end": form.raw("end"), "scanned": serial}
                work.answer = f"/records/{record_id}/bench?{urlencode(then)}"
        return go_on(request, work.answer)
    return _unread(request, database, form)


@router.get("/{part_id}/identity")
def show(request: Request, me: Me, database: Database, part_id: int) -> Response:
    """Show which part it was found to be, and the form that proposes it or takes it back."""
    need(me, Act.CORRECTION_WRITE)
    return _identity(request, database, part_id, blank(request))


@router.post("/{part_id}/identity")
def identify(request: Request, me: Me, database: Database, form: Typed, part_id: int) -> Response:
    """Propose which part it is, or that it is not the one it was taken for."""
    need(me, Act.CORRECTION_WRITE)
    with form.collecting_errors():
        back, why = form.yes("back"), form.text("reason", most=1000)
        with changing(database, me, key=form.key) as work:
            right_id = None if back else _meant(work.session, form)
            number = propose_identity(work, part_id, right_id, reason=why)
            work.answer = f"/proposals/{number}"
        return go_on(request, work.answer)
    return _identity(request, database, part_id, form)


def _meant(session: Session, form: Form) -> int:
    """The part a serial means. Raises Question where several bear it."""
    serial, chosen = form.text("serial"), form.whole("part_id", required=False)
    hits = resolve(session, serial, among=A_PART).hits
    meant = [hit for hit in hits if chosen in (None, hit.id)]
    if len(meant) > 1:
        raise several_bear(serial, meant)
    if not meant:
        raise Refused("serial", serial, "no part bears it.", "Read it again, or add the part.")
    return meant[0].id


def _unread(request: Request, database: Engine, form: Form) -> Response:
    settings: Settings = request.app.state.settings
    with reading(database) as session:
        types = tuple(each for each in part_types(session) if not each.counted)
    context = UnreadPage(form, types, settings.attachment_max_mb)
    return page(request, "bench/identities/unread.html", context, form.status)


def _identity(request: Request, database: Engine, part_id: int, form: Form) -> Response:
    with reading(database) as session:
        part = part_facts(session, part_id)
        proposals = proposals_of(session, ChangeKind.IDENTITY, part_id)
    context = IdentityPage(form, part, proposals)
    return page(request, "bench/identities/identity.html", context, form.status)
