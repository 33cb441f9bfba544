"""What went wrong, in words, with its status: one table for all pages and parts.

A whole page for a browser, a part for htmx (put into the message line), never a traceback.
What nobody foresaw gets a reference, which stands in the log beside the traceback.
"""

import hmac
import logging
import uuid
from collections.abc import Sequence
from dataclasses import dataclass, replace
from urllib.parse import quote

from fastapi import HTTPException, Request, Response
from fastapi.exceptions import RequestValidationError
from fastapi.responses import RedirectResponse
from sqlalchemy.exc import DataError, IntegrityError, SQLAlchemyError
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException as StarletteHTTPException

from service.people.pages.signing_in import (
    OwnPasswordNeeded,
    SignInNeeded,
    UnlockNeeded,
    UnlockPage,
    Unsent,
    engine_of,
    who_is,
)
from service.people.queries.people import whom_to_ask
from service.platform import errors
from service.platform.arithmetic.errors import TradeError
from service.platform.database import reading
from service.platform.pages.forms import blank, is_secret
from service.platform.pages.guard import FORM_TOKEN, MEGABYTE, MOST_FIELDS, form_token
from service.platform.pages.render import came_from, go_on, page, part, wants_part
from service.platform.permissions import Act

log = logging.getLogger("layerbook")

STATUS: dict[type[Exception], tuple[int, str]] = {
    errors.Refused: (422, "A value cannot be taken"),
    errors.RefusedTogether: (422, "Some values cannot be taken"),
    errors.Stale: (409, "Somebody else changed this meanwhile"),
    errors.NotFound: (404, "Nothing goes by that name"),
    errors.NotAllowed: (403, "You may not do this"),
    errors.Busy: (503, "The database is busy"),
    TradeError: (422, "This cannot be computed"),
    IntegrityError: (409, "Something entered meanwhile stands in the way"),
}
HTTP_TITLES = {
    400: "This request cannot be read",
    403: "This was not taken",
    404: "There is no such page",
    405: "This page cannot be used so",
    413: "Too large",
    415: "This kind of content is not taken",
    422: "A value cannot be taken",
    429: "Too much at once",
    503: "Not available just now",
}
HTTP_WORDS = {
    404: "The address leads nowhere. Scan or type a serial above, or begin at stacks.",
    405: "Go back to the page you came from and use its buttons.",
}


@dataclass(frozen=True, slots=True)
class ErrorPage:
    """What the page of an error says."""

    status: int
    title: str
    words: str
    details: Sequence[str] = ()
    reference: str = ""
    back: str = ""


async def answer(request: Request, trouble: Exception) -> Response:
    """Translate any exception of a page into its answer."""
    if isinstance(trouble, errors.Repeated):
        return go_on(request, trouble.answer or "/stacks")
    if isinstance(trouble, SignInNeeded):
        return _ask_first(request, "/sign-in", trouble.next_page)
    if isinstance(trouble, UnlockNeeded):
        return await _unlock_first(request, trouble.next_page)
    if isinstance(trouble, OwnPasswordNeeded):
        return go_on(request, trouble.page)
    error_page = _said(request, trouble)
    if isinstance(trouble, errors.NotAllowed):
        error_page = await run_in_threadpool(_with_a_way_on, request, trouble, error_page)
    headers = dict(getattr(trouble, "headers", None) or {})
    if error_page.status == 503:
        headers["Retry-After"] = "5"
    if wants_part(request):
        headers |= {"HX-Retarget": "#message", "HX-Reswap": "innerHTML"}
        return part(request, "_error.html", error_page, error_page.status, headers)
    if getattr(request.state, "me", None) is None and error_page.status < 500:
        await run_in_threadpool(who_is, request)
    return page(request, "error.html", error_page, error_page.status, headers)


def _said(request: Request, trouble: Exception) -> ErrorPage:
    if isinstance(trouble, RequestValidationError):
        return _validation(trouble)
    if isinstance(trouble, StarletteHTTPException):
        return _http(trouble)
    if isinstance(trouble, OverflowError | DataError):  # a number no row of either engine can have
        return _http(HTTPException(404))
    for kind, (status, title) in STATUS.items():
        if isinstance(trouble, kind):
            if isinstance(trouble, IntegrityError):
                return _clash(request, trouble, status, title)
            return ErrorPage(status, title, str(trouble), _details(trouble))
    reference = _logged(request, trouble)
    return ErrorPage(
        500,
        "Something went wrong here",
        "Nothing was changed by this request. Go back and try again; if it happens once more, give"
        " the reference to whoever looks after this server.",
        reference=reference,
    )


def _with_a_way_on(
    request: Request, refusal: errors.NotAllowed, error_page: ErrorPage
) -> ErrorPage:
    """Say who may do it, by name, and lead back to where somebody came from."""
    me, back = who_is(request), came_from(request)
    if me is None:
        return replace(error_page, back=back)
    with reading(engine_of(request)) as session:
        asking = whom_to_ask(session, me, Act(refusal.act))
    return replace(error_page, words=f"{error_page.words} {asking}".rstrip(), back=back)


def _details(trouble: Exception) -> Sequence[str]:
    if isinstance(trouble, errors.RefusedTogether):
        return [str(refusal) for refusal in trouble.refusals]
    if isinstance(trouble, errors.Stale):
        return trouble.changes
    return ()


def _http(trouble: HTTPException | StarletteHTTPException) -> ErrorPage:
    status = trouble.status_code
    plain = trouble.detail in ("Not Found", "Method Not Allowed", "")
    words = HTTP_WORDS.get(status, "") if plain else str(trouble.detail)
    return ErrorPage(status, HTTP_TITLES.get(status, "This did not work"), words)


def _validation(trouble: RequestValidationError) -> ErrorPage:
    faults = trouble.errors()
    if any(error["loc"][0] == "path" for error in faults):
        return ErrorPage(404, HTTP_TITLES[404], HTTP_WORDS[404])
    details = [
        f"{error['loc'][-1]} “{str(error.get('input', ''))[:200]}”: {error['msg']}"
        for error in faults
    ]
    return ErrorPage(
        422, HTTP_TITLES[422], "The address or form holds what cannot be read.", details
    )


def _clash(request: Request, trouble: SQLAlchemyError, status: int, title: str) -> ErrorPage:
    return ErrorPage(
        status,
        title,
        "The database refused this change, since it contradicts what stands there now."
        " Nothing was changed. Load the page again and look at the present state.",
        reference=_logged(request, trouble),
    )


def _logged(request: Request, trouble: Exception) -> str:
    reference = uuid.uuid4().hex[:12]
    log.error("reference %s: %s %s", reference, request.method, request.url.path, exc_info=trouble)
    return reference


async def _unlock_first(request: Request, next_page: str) -> Response:
    """Lead to the form that unlocks; what was sent meanwhile waits in it."""
    unsent = Unsent() if wants_part(request) else await _unsent(request)
    if not unsent.fields:
        return _ask_first(request, "/unlock", next_page)
    return page(request, "people/unlock.html", UnlockPage(blank(request), next_page, unsent), 401)


async def _unsent(request: Request) -> Unsent:
    """What a form of ours held that came in while the tablet was locked, but for secrets, files."""
    if request.method != "POST":
        return Unsent()
    form = await request.form(max_files=200, max_fields=MOST_FIELDS, max_part_size=4 * MEGABYTE)
    token, expected = form.get(FORM_TOKEN), form_token(request)
    if not isinstance(token, str) or not hmac.compare_digest(token.encode(), expected.encode()):
        return Unsent()
    fields = tuple(
        (name, text)
        for name, text in form.multi_items()
        if isinstance(text, str) and name != FORM_TOKEN and not is_secret(name)
    )
    query = f"?{request.url.query}" if request.url.query else ""
    return Unsent(f"{request.url.path}{query}", fields)


def _ask_first(request: Request, form: str, next_page: str) -> Response:
    """Lead to a form that asks who it is, which leads on to a page."""
    address = f"{form}?next={quote(next_page, safe='/')}"
    if wants_part(request):
        return Response(status_code=401, headers={"HX-Redirect": address})
    return RedirectResponse(address, status_code=303)
