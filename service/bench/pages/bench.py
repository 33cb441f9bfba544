"""The bench: a record written entry by entry, one thing at a time.

Every entry is a form of its own, as ``ENTRIES`` describes it. Without script it is answered by the
page it goes on at (303); htmx gets the bench alone. A form shown before somebody else's entry comes
back filled (409).
"""

from collections.abc import Callable, Mapping
from datetime import datetime
from typing import Any
from urllib.parse import urlencode

from fastapi import APIRouter, Request, Response
from sqlalchemy import Engine

from service.bench.changes.entries import ENTRIES, Entry, Fact, facts_of
from service.bench.pages.sheets import bench_page
from service.people.pages.signing_in import Database, Me
from service.physics.arithmetic.conditions import STANDING_ALONE, FindingEntry
from service.platform.arithmetic.vocabulary import End
from service.platform.database import changing, reading
from service.platform.errors import Refused
from service.platform.files import photos
from service.platform.pages.forms import Form, Typed
from service.platform.pages.render import go_on, page, part, wants_part
from service.platform.permissions import Act, Person, need
from service.records.changes.attachments import Stored, add_attachments
from service.records.queries.participants import record_head
from service.settings import Settings

router = APIRouter(prefix="/records/{record_id}")
MOST_SIGNS = 8000
NO_TEXTS = frozenset({"version", "note", "done_at", "instrument_id", "thermometer_id", "meter_id"})


@router.get("/bench")
def show(request: Request, me: Me, database: Database, record_id: int) -> Response:
    """Show the bench of a record being written; of any other, the record."""
    need(me, Act.RECORD_WRITE)
    with reading(database) as session:
        if not record_head(session, record_id).is_being_written:
            return go_on(request, f"/records/{record_id}")
        shown = bench_page(request, session, me, record_id, asked=request.query_params)
    if wants_part(request):
        return part(request, "bench/_bench.html", shown)
    return page(request, "bench/show.html", shown)


def _route(name: str, entry: Entry) -> Callable[..., Response]:
    def enter(
        request: Request, me: Me, database: Database, form: Typed, record_id: int
    ) -> Response:
        with form.keeping():
            facts = read_facts(form, name, entry)
            taken = _taken_photos(request, form) if entry.has_photos else []
            kept = {field: form.kept(field) for field in entry.keeps if form.kept(field)}
            then = {"made": entry.made} | ({"at": entry.goes_on} if entry.goes_on else {}) | kept
            with changing(database, me, key=form.key) as work:
                work.answer = (
                    f"/records/{record_id}"
                    if entry.leaves_bench
                    else (f"/records/{record_id}/bench?{urlencode(then)}")
                )
                entry.make(work, record_id, form.version(), **facts)
                if taken:
                    add_attachments(work, taken, record_id=record_id, part_id=facts["part_id"])
            if entry.leaves_bench or not wants_part(request):
                return go_on(request, work.answer)
            with reading(database) as session:
                shown = bench_page(request, session, me, record_id, asked=then)
            return part(request, "bench/_bench.html", shown)
        return _again(request, me, database, form, record_id=record_id, entry=entry)

    return enter


for _name, _entry in ENTRIES.items():
    if _entry.is_at_bench:
        router.post(f"/{_name}")(_route(_name, _entry))


def _again(
    request: Request, me: Person, database: Engine, form: Form, *, record_id: int, entry: Entry
) -> Response:
    """Show the form again, with what was typed and what is wrong with it.

    A form beneath every place leaves the form of the place as it is.
    """
    asked = {"at": entry.at or form.kept("at")}
    with reading(database) as session:
        shown = bench_page(
            request, session, me, record_id, asked=asked, form=form if entry.at else None
        )
    shown.form.refused, shown.form.stale = form.refused, form.stale
    if wants_part(request):
        return part(request, "bench/_bench.html", shown, form.status)
    return page(request, "bench/show.html", shown, form.status)


def read_facts(form: Form, name: str, entry: Entry) -> dict[str, Any]:
    """Read what an entry is made of; what cannot be read stands in the form."""
    if name in ASKED_OTHERWISE:
        ASKED_OTHERWISE[name](form)
    facts = {fact.name: _read(form, fact) for fact in facts_of(entry.facts)}
    if "scanned" in facts and facts.get("lot_id"):
        facts["scanned"] = ""  # what is pressed comes after what was scanned, and refused
    return facts | dict(entry.also)


def _read(form: Form, fact: Fact) -> object:
    if fact.name in BY_NAME:
        return BY_NAME[fact.name](form)
    if fact.type is datetime:
        return form.moment(fact.name, required=False)
    if fact.type is str and not fact.stands_for:
        return form.text(fact.name, required=fact.required, most=int(fact.most or MOST_SIGNS))
    limits: dict[str, Any] = {} if fact.least is None else {"least": fact.least}
    limits |= {} if fact.most is None else {"most": fact.most}
    if fact.type is float:
        return form.number(fact.name, unit=fact.unit, required=fact.required, **limits)
    if fact.type is int or fact.stands_for:
        limits = {} if fact.stands_for else limits
        return form.whole(fact.name, required=fact.required, **limits)
    return form.choice(fact.name, fact.type, required=fact.required)


def _findings(form: Form) -> list[FindingEntry]:
    """Read what was ticked; severity, place and note are said of all that was ticked."""
    severity = form.whole("severity", most=3, required=False)
    where = form.text("where", required=False, most=200)
    detail = form.text("finding_note", required=False)
    return [
        FindingEntry(condition)
        if condition in STANDING_ALONE
        else FindingEntry(condition, severity, where, detail)
        for condition in form.kept_all("condition")
        if condition
    ]


def _numbers(form: Form, name: str) -> list[int]:
    """Read the rows ticked in a list of boxes."""
    texts = form.kept_all(name)
    if any(not text.isdecimal() or len(text) > 15 for text in texts):
        form.refuse(name, "is not one of the choices.", "Choose from the list.")
        return []
    return [int(text) for text in texts]


def _texts(form: Form) -> dict[str, str]:
    """Give what was typed, field by field, as the trade reads it."""
    return {name: form.kept(name)[:MOST_SIGNS] for name in form.typed if name not in NO_TEXTS}


def _cell_values(form: Form) -> list[str]:
    """Give a value for each cell: the pasted list where there is one, else the cells' fields."""
    pasted = form.text("values", required=False, most=MOST_SIGNS)
    return [pasted] if pasted else list(form.kept_all("cell"))


def _at_place(form: Form) -> None:
    """Read the one choice of a fixing's place as its rod or its end."""
    place = form.text("place")
    is_end = place in tuple(End)
    form.typed["end"] = (place,) if is_end else ()
    form.typed["rod_number"] = (place,) if place.isdecimal() and len(place) < 4 else ()


BY_NAME: Mapping[str, Callable[[Form], object]] = {
    "condition": lambda form: form.one_of("condition", STANDING_ALONE),
    "findings": _findings,
    "part_ids": lambda form: _numbers(form, "part_ids"),
    "rod_numbers": lambda form: _numbers(form, "rod_numbers"),
    "typed": _texts,
    "values": _cell_values,
}
"""Facts a form asks for by several fields, by a list, or by one field ticked several times."""
ASKED_OTHERWISE: Mapping[str, Callable[[Form], None]] = {"fit-fixing": _at_place}
"""Entries whose form has a field of its own, put into those the entry knows."""


def _taken_photos(request: Request, form: Form) -> list[Stored]:
    """Check the photos chosen with an entry and lay them on disk before the entry names them."""
    settings: Settings = request.app.state.settings
    checked = []
    for file in form.files("photos"):
        try:
            content = file.file.read(settings.attachment_max_mb * photos.MEGABYTE + 1)
            name = file.filename or ""
            checked.append(photos.check(content, name, most_mb=settings.attachment_max_mb))
        except Refused as refusal:
            form.refuse("photos", f"“{refusal.value}”: {refusal.reason}", refusal.right_would_be)
    form.check()
    return [photos.store(settings.data_folder, one) for one in checked]
