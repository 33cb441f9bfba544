"""Pages and parts: the only callers of Jinja.

    return page(request, "stacks/show.html", ShowStack(...))      a whole sheet
    return part(request, "stacks/_layer_map.html", ShowStack(...)) a part of one, for htmx
    return go_on(request, f"/stacks/{serial}")                     after a change (303)

Every template is given what ``GIVEN`` names besides its own context.
"""

import dataclasses
import hashlib
from collections.abc import Mapping
from datetime import date, datetime
from decimal import Decimal
from pathlib import Path
from typing import Any, cast
from urllib.parse import quote
from zoneinfo import ZoneInfo

from fastapi import Request, Response
from fastapi.responses import HTMLResponse, RedirectResponse
from jinja2 import Environment, FileSystemBytecodeCache, FileSystemLoader, StrictUndefined
from markupsafe import Markup

from service.people.queries.people import who_may
from service.platform import permissions
from service.platform.arithmetic.dates import in_words as time_in_words
from service.platform.arithmetic.dates import written
from service.platform.database import reading
from service.platform.pages.guard import FORM_TOKEN, form_token, tablet_cookie
from service.platform.permissions import Act, Answer, Person, RecordFacts
from service.records.queries.waivers import WaiverOfRecord, waivers_of
from service.settings import Settings
from service.stacks.queries.restrictions import Restriction, restrictions_of

THIN_SPACE = "\u2009"
UNITS = frozenset({"nm", "mm", "h", "s", "v", "a", "c", "kpa", "bar", "mohm", "cm2"})
SAVED_COOKIE = "layerbook_saved"
GIVEN = frozenset(
    {
        "Act",
        "ask",
        "csrf_field",
        "here",
        "lab_name",
        "lock_after_s",
        "may",
        "me",
        "not_known_here",
        "notices",
        "on_shared_tablet",
        "restrictions_of",
        "static",
        "waivers_of",
        "zone",
    }
)


def make_environment(settings: Settings, templates: Path, static: Path) -> Environment:
    """Set Jinja up: nothing undefined passes, everything is escaped, templates stay compiled."""
    cache = settings.data_folder / "cache" / "templates"
    cache.mkdir(parents=True, exist_ok=True, mode=0o700)
    environment = Environment(
        loader=FileSystemLoader(templates),
        undefined=StrictUndefined,
        autoescape=True,
        trim_blocks=True,
        lstrip_blocks=True,
        bytecode_cache=FileSystemBytecodeCache(str(cache)),
        auto_reload=False,
        cache_size=-1,
    )
    zone = settings.time_zone
    environment.filters.update(
        number=number,
        quantity=quantity,
        local=lambda at: local(at, zone),
        local_day=lambda at: local_day(at, zone),
        when=lambda at: local(at, zone),
        iso=iso,
        word=word,
        words=in_words,
        grouped=grouped,
        ended=ended,
    )
    environment.globals.update(
        Act=Act, lab_name=settings.lab_name, zone=settings.zone, static=Addresses(static)
    )
    return environment


class Addresses:
    """Addresses of static files with the hash of their content: they can be kept for ever."""

    def __init__(self, folder: Path) -> None:
        self.known = {
            path.relative_to(folder).as_posix(): content_hash(path)
            for path in sorted(folder.rglob("*"))
            if path.is_file()
        }

    def __call__(self, name: str) -> str:
        """Give the address of one file; an unknown name is a mistake in a template."""
        return f"/static/{name}?v={self.known[name]}"


def content_hash(path: Path) -> str:
    """Return the first twelve digits of a file's SHA-256."""
    return hashlib.sha256(path.read_bytes()).hexdigest()[:12]


def ended(text: str) -> str:
    """Return a text as a sentence among others: with a full stop, and never with two."""
    text = text.strip()
    return text if text.endswith((".", "!", "?", "…")) else f"{text}."


def page(
    request: Request,
    template: str,
    context: object = None,
    status: int = 200,
    headers: Mapping[str, str] | None = None,
) -> HTMLResponse:
    """Render a whole sheet; ``context`` is a dataclass or a mapping."""
    return HTMLResponse(render(request, template, context), status, _with_vary(headers))


def part(
    request: Request,
    template: str,
    context: object = None,
    status: int = 200,
    headers: Mapping[str, str] | None = None,
) -> HTMLResponse:
    """Render one part (``_name.html``) alone, for htmx."""
    return page(request, template, context, status, headers)


def wants_part(request: Request) -> bool:
    """Say whether htmx asks, who takes a part instead of a sheet."""
    return request.headers.get("hx-request") == "true"


def download(text: str, media_type: str, about: str, file_name: str) -> Response:
    """Give a text as a file to keep; of what it is about, ASCII letters and digits name it."""
    name = "".join(sign if sign.isalnum() and sign.isascii() else "-" for sign in about)
    return Response(
        text,
        media_type=f"{media_type}; charset=utf-8",
        headers={"Content-Disposition": f'attachment; filename="{file_name.format(name)}"'},
    )


def go_on(request: Request, address: str) -> Response:
    """Go to a page (303) after a change, and tell the browser the form's key was saved."""
    response: Response
    if wants_part(request):
        response = Response(status_code=200, headers={"HX-Redirect": address})
    else:
        response = RedirectResponse(quote(address, safe="/:?#[]@!$&'()*+,;=%"), status_code=303)
    entry_key = getattr(request.state, "entry_key", "")
    if entry_key:
        settings: Settings = request.app.state.settings
        response.set_cookie(
            SAVED_COOKIE, entry_key, max_age=120, samesite="lax", secure=settings.cookie_secure
        )
    return response


def render(request: Request, template: str, context: object = None) -> str:
    """Render a template with its context and what every template is given."""
    environment = cast("Environment", request.app.state.templates)
    return environment.get_template(template).render(_given(request), **_as_mapping(context))


def _given(request: Request) -> dict[str, Any]:
    me: Person | None = getattr(request.state, "me", None)

    def may(act: Act, facts: RecordFacts = permissions.NOTHING_KNOWN) -> Answer:
        return permissions.may(me, act, facts) if me else Answer(False, "Sign in first.")

    def ask(act: Act, to: str = "", but: int = 0) -> str:
        """Say who may do what somebody may not; read only where a page says it."""
        with reading(request.app.state.engine) as session:
            return who_may(session, act, to, but=but)

    def of_stack(serial: str) -> tuple[Restriction, ...]:
        """Return what a stack may be run with only by leave; read where a page is about one."""
        with reading(request.app.state.engine) as session:
            return restrictions_of(session, serial)

    def of_record(record_id: int) -> tuple[WaiverOfRecord, ...]:
        """Return the leave to do without a witness that a record was written with."""
        with reading(request.app.state.engine) as session:
            return waivers_of(session, record_id)

    token = form_token(request)
    field = Markup('<input type="hidden" name="{}" value="{}">').format(FORM_TOKEN, token)
    return {
        "me": me,
        "may": may,
        "ask": ask,
        "csrf_field": field,
        "here": page_at_hand(request),
        "lock_after_s": getattr(request.state, "lock_after_s", 0) if me else 0,
        "on_shared_tablet": tablet_cookie(request.app.state.settings) in request.cookies,
        "not_known_here": lambda: _not_known_here(request),
        "notices": getattr(request.state, "told", ()),
        "restrictions_of": of_stack,
        "waivers_of": of_record,
    }


def _not_known_here(request: Request) -> tuple[str, ...]:
    """Return parameters of the address that nothing of this page has read, once it is rendered."""
    if request.method != "GET":
        return ()
    read: set[str] = getattr(request.state, "query_names", set())
    return tuple(name[:80] for name in dict.fromkeys(request.query_params) if name not in read)


def page_at_hand(request: Request) -> str:
    """Return the page of this site somebody is at, with what it was asked; nothing: unknown."""
    if request.method == "GET":
        query = f"?{request.url.query}" if request.url.query else ""
        return f"{request.scope.get('raw_path', b'/').decode('latin-1')}{query}"
    return came_from(request)


def came_from(request: Request) -> str:
    """Return the page of this site somebody came from, or nothing."""
    before, site = request.headers.get("referer", ""), str(request.base_url).rstrip("/")
    return before[len(site) :] if before.startswith(f"{site}/") and before != request.url else ""


def _as_mapping(context: object) -> Mapping[str, Any]:
    if context is None:
        return {}
    if isinstance(context, Mapping):
        return context
    if dataclasses.is_dataclass(context):
        return {field.name: getattr(context, field.name) for field in dataclasses.fields(context)}
    raise TypeError(
        f"a template's context is a dataclass or a mapping, not {type(context).__name__}"
    )


def _with_vary(headers: Mapping[str, str] | None) -> dict[str, str]:
    return {"Vary": "HX-Request", **(headers or {})}


def number(value: float | Decimal | None, places: int | None = None) -> str:
    """Write a number with a decimal point; without ``places`` as short as it is exact."""
    if value is None:
        return "unknown"
    if places is not None:
        text = f"{value:.{places}f}"
    elif isinstance(value, int | Decimal):
        text = str(value)
    else:
        text = f"{value:.10g}"
    return text.replace("-", "−")


def quantity(value: float | Decimal | None, unit: str, places: int | None = None) -> str:
    """Write number, thin space and unit as plain text; the macro of this name marks them up."""
    return "unknown" if value is None else f"{number(value, places)}{THIN_SPACE}{unit}"


def local(at: datetime | None, zone: ZoneInfo) -> str:
    """Write a time as 2026-03-07 14:20 in the laboratory's zone."""
    return "not known" if at is None else time_in_words(at, zone)


def local_day(at: datetime, zone: ZoneInfo) -> str:
    """Write the day of a time in the laboratory's zone, or what is known of it."""
    return time_in_words(at, zone, "%Y-%m-%d")


def iso(at: datetime | date | None) -> str:
    """Write a time or date after ISO 8601, for machines."""
    if at is None:
        return ""
    return written(at) if isinstance(at, datetime) else at.isoformat()


def word(value: object, unknown: str = "unknown") -> str:
    """Write an answer as its word; none at all is an answer of its own."""
    if isinstance(value, bool):
        return "yes" if value else "no"
    return unknown if value is None else str(value)


def in_words(field: str) -> str:
    """Write a field's name as words, without the unit at its end."""
    parts = field.split("_")
    return " ".join(parts[:-1] if len(parts) > 1 and parts[-1] in UNITS else parts)


def grouped(text: str, size: int) -> str:
    """Set a long code in groups, so that two people can compare it aloud."""
    return " ".join(text[at : at + size] for at in range(0, len(text), size))
