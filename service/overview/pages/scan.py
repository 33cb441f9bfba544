"""The scan field: a serial or code opens what it is."""

from dataclasses import dataclass
from urllib.parse import quote

from fastapi import APIRouter, Request, Response
from fastapi.responses import RedirectResponse

from service.people.pages.signing_in import Database, Me
from service.people.queries.badges import BADGE
from service.platform.database import now_utc, reading
from service.platform.pages.forms import Asked
from service.platform.pages.render import came_from, page
from service.platform.permissions import Act, need
from service.stacks.pages.stacks import address
from service.store.queries.scans import ANYTHING, Hit, Resolved, near, resolve

router = APIRouter()


@dataclass(frozen=True, slots=True)
class ScanPage:
    """What a text may stand for, where it is more than one thing or nothing known."""

    resolved: Resolved
    hits: tuple[tuple[str, Hit], ...]
    raw: str
    again: str
    near: tuple[tuple[str, Hit], ...]
    """what may be meant where nothing goes by the text"""


@router.get("/scan")
def scan(request: Request, me: Me, database: Database, query: Asked) -> Response:
    """Open what a scanned or typed text stands for; offer a choice, or say that nothing does."""
    need(me, Act.READ)
    if BADGE.fullmatch(badge := query.raw("text").strip().upper()):
        came = came_from(request)
        return RedirectResponse(
            f"/change-person?badge={badge}&next={quote(came, safe='')}", status_code=303
        )
    with reading(database) as session:
        scanned = resolve(session, query.raw("text"), year=now_utc().year)
        nearest = () if scanned.hits else near(session, scanned, among=ANYTHING)
    hits = tuple((_address(hit), hit) for hit in scanned.hits)
    if len(hits) == 1:
        return RedirectResponse(hits[0][0], status_code=303)
    context = ScanPage(
        scanned,
        hits,
        _visible(scanned.text),
        quote(scanned.serial, safe=""),
        tuple((_address(hit), hit) for hit in nearest),
    )
    return page(
        request, "overview/scan/show.html", context, 200 if hits or not scanned.text else 404
    )


def _address(hit: Hit) -> str:
    if hit.kind == "stack":
        return address(hit.label)
    places = {"part": "parts", "lot": "lots", "instrument": "instruments", "record": "records"}
    return f"/{places[hit.kind]}/{hit.id}"


def _visible(text: str) -> str:
    """The text as it came, with control characters made visible."""
    return "".join(sign if sign.isprintable() else f"⟨{ord(sign):02X}⟩" for sign in text)
