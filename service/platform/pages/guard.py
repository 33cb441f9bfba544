"""What every answer carries and every request must pass: headers, size, who asks, origin, token.

Three things stand against forms sent from another site: the cookie is SameSite=Lax, the browser's
Sec-Fetch-Site or Origin must name this site, and each form carries a token bound to the session.
The JSON API under /api takes bearer tokens and no cookie: it needs none of the three.
"""

import hashlib
import hmac
import logging
import re
import secrets
from collections import Counter
from collections.abc import AsyncIterator, Awaitable, Callable
from urllib.parse import urlsplit

from fastapi import HTTPException, Request, Response
from starlette.datastructures import Headers, MutableHeaders
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from service.settings import Settings

API = "/api/"
LOGS = re.compile(r"(?:/api/v1)?/stacks/.+/runs")
"""Where logs of test benches come in, which have a limit of their own."""
SWEEPS = re.compile(r"/api/v1/stacks/.+/sweeps")
"""Where the API takes files: everything else it takes is JSON."""
MOST_MB_WITHOUT_FILES = 1
SIGNING = frozenset({"/sign-in", "/sign-out", "/first-start", "/change-person"})
SAFE_METHODS = frozenset({"GET", "HEAD", "OPTIONS"})
FORM_TOKEN = "form_token"  # noqa: S105 - the field's name
MEGABYTE = 1024 * 1024
MOST_FIELDS = 8_000
MOST_BODIES, MOST_BODIES_OF_ADDRESS = 64, 16
"""Requests a process reads at once of those that come in pieces, and of them from one address."""
CONTENT_POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:;"
    " font-src 'self'; connect-src 'self'; manifest-src 'self'; form-action 'self';"
    " base-uri 'none'; frame-ancestors 'none'"
)
log = logging.getLogger("layerbook")

Answer = Callable[[Request, Exception], Awaitable[Response]]
Identify = Callable[[Request], Awaitable[None]]
"""Find who asks, before the body is read; raises where nobody may ask."""


def session_cookie(settings: Settings) -> str:
    """Name the session's cookie; the prefix makes browsers hold Secure, host and path."""
    return "__Host-layerbook_session" if settings.cookie_secure else "layerbook_session"


def visit_cookie(settings: Settings) -> str:
    """Name the cookie which binds the sign-in form to one browser before there is a session."""
    return "__Host-layerbook_visit" if settings.cookie_secure else "layerbook_visit"


def browser_cookie(settings: Settings) -> str:
    """Name the cookie by which two sessions of one browser are known; a random value, no more."""
    return "__Host-layerbook_browser" if settings.cookie_secure else "layerbook_browser"


def tablet_cookie(settings: Settings) -> str:
    """Name the cookie of an enrolled tablet: a secret by which PINs and badges hold there."""
    return "__Host-layerbook_tablet" if settings.cookie_secure else "layerbook_tablet"


def begin_visit(request: Request) -> str:
    """Make the secret of a visitor's cookie; the answer has to set it."""
    visit = secrets.token_urlsafe(32)
    request.state.visit = visit
    return visit


def form_token(request: Request) -> str:
    """Compute the token of this browser's forms from the secret in its cookie."""
    settings: Settings = request.app.state.settings
    secret = (
        request.cookies.get(session_cookie(settings))
        or request.cookies.get(visit_cookie(settings))
        or getattr(request.state, "visit", "")
    )
    return token_of(secret) if secret else ""


def token_of(secret: str) -> str:
    """Derive the forms' token from a cookie's secret, which it does not give away."""
    return hmac.new(secret.encode(), b"layerbook form", hashlib.sha256).hexdigest()


async def form_is_ours(request: Request) -> AsyncIterator[None]:
    """Refuse a form without this browser's token; every page's router depends on it.

    Files that were sent are closed once the page has answered.
    """
    if request.method in SAFE_METHODS:
        yield
        return
    try:
        form = await request.form(max_files=200, max_fields=MOST_FIELDS, max_part_size=4 * MEGABYTE)
        token, expected = form.get(FORM_TOKEN), form_token(request)
        if not (
            isinstance(token, str)
            and expected
            and hmac.compare_digest(token.encode(), expected.encode())
        ):
            raise HTTPException(
                403,
                "This form was shown before you signed in, or in another session, so it was not"
                " taken. Go back, load the page again and send it once more.",
            )
        yield
    finally:
        await request.close()


class _Body:
    """A request's body as it comes in: how large, and one of how many being read by address."""

    def __init__(self, receive: Receive, scope: Scope, most_mb: int, reading: Counter[str]) -> None:
        self._receive, self._most_mb, self._reading = receive, most_mb, reading
        self._left, self._is_read = most_mb * MEGABYTE, False
        self._address = scope["client"][0] if scope.get("client") else ""

    async def receive(self) -> Message:
        """Give the next piece. Raises HTTPException for too large a body, or too many at once."""
        message = await self._receive()
        self._left -= len(message.get("body", b""))
        if self._left < 0:
            raise _too_large(self._most_mb)
        if not message.get("more_body"):
            self.end()
        elif not self._is_read:
            self._begin()
        return message

    def _begin(self) -> None:
        if self._reading[self._address] >= MOST_BODIES_OF_ADDRESS:
            raise _too_many(429, f"{MOST_BODIES_OF_ADDRESS} requests from your network address")
        if self._reading.total() >= MOST_BODIES:
            raise _too_many(503, f"{MOST_BODIES} requests")
        self._reading[self._address] += 1
        self._is_read = True

    def end(self) -> None:
        """Count it no longer: it is read, or nobody goes on reading."""
        if self._is_read:
            self._is_read = False
            self._reading -= Counter([self._address])


def _too_large(most_mb: int) -> HTTPException:
    return HTTPException(
        413,
        f"The request is larger than {most_mb} MB."
        " Send less at once: fewer entries, smaller files.",
    )


def _too_many(status: int, which: str) -> HTTPException:
    return HTTPException(
        status,
        f"{which} are still being received; more are not taken at once. Nothing was changed."
        " Wait until they are sent, then send this again.",
        {"Retry-After": "5"},
    )


class Guard:
    """The outermost layer: checks a request before any code sees it, completes every answer."""

    def __init__(
        self, app: ASGIApp, settings: Settings, identify: Identify, answer: Answer
    ) -> None:
        self.app, self.settings, self.answer = app, settings, answer
        self.identify = identify
        self.reading: Counter[str] = Counter()
        self.most_mb, self.most_mb_of_logs = settings.request_max_mb, settings.log_max_mb
        header_values = {
            "Content-Security-Policy": CONTENT_POLICY,
            "X-Content-Type-Options": "nosniff",
            "Referrer-Policy": "same-origin",
            "Cross-Origin-Opener-Policy": "same-origin",
            "Cross-Origin-Resource-Policy": "same-origin",
            "Permissions-Policy": "camera=(self), microphone=(), geolocation=(), payment=()",
        }
        if settings.cookie_secure:
            header_values["Strict-Transport-Security"] = "max-age=31536000"
        self.headers = [
            (name.lower().encode(), value.encode()) for name, value in header_values.items()
        ]

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Let a request through, or answer it here."""
        if scope["type"] == "http":
            body = _Body(receive, scope, self._most_mb(scope), self.reading)
            try:
                await self._guarded(scope, body.receive, send)
            finally:
                body.end()
        elif scope["type"] == "lifespan":
            await self.app(scope, receive, send)

    async def _guarded(self, scope: Scope, receive: Receive, send: Send) -> None:
        begun = False

        async def complete(message: Message) -> None:
            nonlocal begun
            if message["type"] == "http.response.start":
                begun = True
                self._complete(message)
            await send(message)

        scope.setdefault("state", {})
        request = Request(scope, receive)
        try:
            self._check(request)
            await self.identify(request)
            await self.app(scope, receive, complete)
        except Exception as error:  # the outermost edge: nothing passes it without an answer
            if begun:
                raise
            response = await self.answer(request, error)
            await response(scope, receive, complete)

    def _most_mb(self, scope: Scope) -> int:
        """The largest request here; around a log stands a little of the form."""
        path = scope["path"]
        if scope["method"] == "POST" and LOGS.fullmatch(path):
            return max(self.most_mb, self.most_mb_of_logs + 1)
        if path in SIGNING or (path.startswith(API) and not SWEEPS.fullmatch(path)):
            return MOST_MB_WITHOUT_FILES
        return self.most_mb

    def _check(self, request: Request) -> None:
        """Refuse what can be refused before the body is read."""
        if "\x00" in request.scope["path"] or b"%00" in request.scope["query_string"]:
            raise HTTPException(400, "The address holds a NUL sign, which no name contains.")
        length = request.headers.get("content-length", "0")
        most_mb = self._most_mb(request.scope)
        if not length.isdigit() or int(length) > most_mb * MEGABYTE:
            raise _too_large(most_mb)
        from_elsewhere = not self._from_this_site(request.headers)
        changes = request.method not in SAFE_METHODS and not request.url.path.startswith(API)
        if changes and from_elsewhere:
            raise HTTPException(403, "This form came from another site, so it was not taken.")

    def _from_this_site(self, headers: Headers) -> bool:
        site = headers.get("sec-fetch-site")
        if site is not None and site not in ("same-origin", "none"):
            return False
        origin = headers.get("origin")
        if origin is None:
            return True  # the form's token decides
        if self.settings.public_address:
            return origin == self.settings.public_address
        return urlsplit(origin).netloc == headers.get("host")

    def _complete(self, message: Message) -> None:
        headers = MutableHeaders(raw=message["headers"])
        if "cache-control" not in headers:
            has_etag = "etag" in headers
            headers["Cache-Control"] = "private, no-cache" if has_etag else "no-store"
        message["headers"] = [*headers.raw, *self.headers]
