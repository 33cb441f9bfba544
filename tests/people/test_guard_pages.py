"""Every answer carries its headers; what comes from elsewhere or without its token is refused."""

import asyncio
import hashlib
import shutil
from collections.abc import Callable
from typing import Any

import pytest
from sqlalchemy.orm import Session
from starlette.types import Message, Receive

from service.app import make_app
from service.people.tables import ApiToken
from service.platform.pages.guard import FORM_TOKEN, MOST_BODIES, MOST_BODIES_OF_ADDRESS
from service.settings import Settings
from tests import builders
from tests.form_client import FormClient

HEADERS = {
    "x-content-type-options": "nosniff",
    "referrer-policy": "same-origin",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
}


@pytest.mark.parametrize(
    "address", ["/sign-in", "/people", "/no/such/page", "/static/css/page.css", "/static/none"]
)
def test_every_answer_carries_the_headers(client: Any, address: str) -> None:
    """Pages, redirects, missing pages and static files alike."""
    headers = client.get(address).headers

    assert headers.items() >= HEADERS.items()
    policy = headers["content-security-policy"]
    assert "default-src 'none'" in policy
    assert "unsafe" not in policy
    assert "frame-ancestors 'none'" in policy


def test_an_unforeseen_error_is_a_page_with_a_reference(app: Any, caplog: Any) -> None:
    """Nobody sees a traceback; the log has it under the same reference."""

    @app.get("/breaks")
    def breaks() -> None:
        raise RuntimeError("secret detail")

    answer = FormClient(app, raise_server_exceptions=False).get("/breaks")

    assert answer.status_code == 500
    assert answer.headers.items() >= HEADERS.items()
    assert "secret detail" not in answer.text
    reference = answer.text.split("Reference")[1].split('"serial">')[1][:12]
    assert f"reference {reference}" in caplog.text
    assert "secret detail" in caplog.text


def test_a_form_without_its_token_is_refused(signed_in_client: Callable[..., Any]) -> None:
    """The cookie alone is not enough."""
    client = signed_in_client("admin")

    for token in ("", "0" * 64, "é"):
        answer = client.post("/people/add", data={FORM_TOKEN: token, "login": "eve"})
        assert answer.status_code == 403
        assert "was not taken" in answer.text


def test_the_token_of_another_session_is_refused(signed_in_client: Callable[..., Any]) -> None:
    """A token belongs to one session."""
    first, second = signed_in_client("admin"), signed_in_client("admin")

    answer = second.post("/people/add", data={FORM_TOKEN: first.form_token(), "login": "eve"})

    assert answer.status_code == 403


@pytest.mark.parametrize(
    "headers",
    [
        {"sec-fetch-site": "cross-site"},
        {"sec-fetch-site": "same-site"},
        {"origin": "https://elsewhere.example"},
        {"origin": "null"},
    ],
)
def test_a_form_from_another_site_is_refused(
    signed_in_client: Callable[..., Any], headers: dict[str, str]
) -> None:
    """Even with the right token."""
    client = signed_in_client("admin")

    answer = client.post("/sign-out", headers=headers)

    assert answer.status_code == 403
    assert client.get("/people").status_code == 200


def test_a_form_from_this_site_passes(signed_in_client: Callable[..., Any]) -> None:
    """What a browser sends from our own page."""
    client = signed_in_client("admin")

    answer = client.post(
        "/sign-out", headers={"sec-fetch-site": "same-origin", "origin": "http://testserver"}
    )

    assert answer.status_code == 303


def test_behind_a_proxy_the_public_address_is_the_origin(
    tmp_path: Any, sqlite_template: Any
) -> None:
    """The Host header is the proxy's own matter then."""
    settings = Settings(
        data_folder=tmp_path,
        database_url=f"sqlite:///{sqlite_template}",
        public_address="https://layerbook.lab.example/",
    )
    client = FormClient(make_app(settings), follow_redirects=False)

    ours = client.post("/sign-out", headers={"origin": "https://layerbook.lab.example"})
    other = client.post("/sign-out", headers={"origin": "http://testserver"})

    # the first gets past the origin and fails only for want of a session's token
    assert "another site" not in ours.text
    assert "another site" in other.text


def test_too_large_a_request_is_refused_before_it_is_read(
    tmp_path: Any, sqlite_template: Any
) -> None:
    """By its announced length, and by what really comes."""
    settings = Settings(
        data_folder=tmp_path, database_url=f"sqlite:///{sqlite_template}", request_max_mb=1
    )
    client = FormClient(make_app(settings), follow_redirects=False)
    megabyte = b"x" * 1024 * 1024
    form = {"content-type": "application/x-www-form-urlencoded"}

    announced = client.post("/sign-in", content=b"a=" + megabyte, headers=form)
    unannounced = client.post("/sign-in", content=iter([b"a=", megabyte, b"x"]), headers=form)

    assert (announced.status_code, unannounced.status_code) == (413, 413)
    assert "1 MB" in unannounced.text


def sent(app: Any, path: str, headers: dict[str, str]) -> tuple[int, int]:
    """Post a body without end as a server does: the status, and how many pieces were read."""
    pieces = 0

    async def receive() -> Message:
        nonlocal pieces
        pieces += 1
        return {"type": "http.request", "body": b"[" * 65_536, "more_body": True}

    return asyncio.run(posted(app, path, headers, receive)), pieces


async def posted(
    app: Any, path: str, headers: dict[str, str], receive: Receive, address: str = "127.0.0.1"
) -> int:
    """Post what is received, from a network address: the status."""
    started = []

    async def send(message: Message) -> None:
        if message["type"] == "http.response.start":
            started.append(message["status"])

    given = {"host": "testserver", **headers}
    scope = {
        "type": "http",
        "asgi": {"version": "3.0"},
        "http_version": "1.1",
        "method": "POST",
        "scheme": "http",
        "path": path,
        "raw_path": path.encode(),
        "root_path": "",
        "query_string": b"",
        "headers": [(name.encode(), value.encode()) for name, value in given.items()],
        "client": (address, 1),
        "server": ("testserver", 80),
    }
    await app(scope, receive, send)
    return int(started[0])


FORM = {"content-type": "application/x-www-form-urlencoded"}
JSON = {"content-type": "application/json"}


@pytest.mark.parametrize(
    ("path", "headers", "status"),
    [
        ("/api/v1/stacks/T-1/hours/reports", JSON, 401),
        ("/api/v1/stacks/T-1/runs", {"content-type": "application/octet-stream"}, 401),
        ("/api/v1/records", JSON | {"authorization": "Bearer nobody's"}, 401),
        ("/api/v1/records", JSON | {"authorization": "Basic bm9ib2R5"}, 401),
        ("/lots/new", FORM, 303),
        ("/import/parts", {"content-type": "multipart/form-data; boundary=b"}, 303),
        ("/no/such/page", FORM, 303),
    ],
)
def test_nothing_is_read_of_whom_nobody_knows(
    app: Any, path: str, headers: dict[str, str], status: int
) -> None:
    """Who has neither token nor session fills no memory and no disk."""
    assert sent(app, path, headers) == (status, 0)


def test_only_so_many_bodies_are_read_at_once(app: Any) -> None:
    """Of one address and in all; once they are read, or their sender is gone, others are taken."""

    async def statuses() -> tuple[list[int], ...]:
        is_sent, begun = asyncio.Event(), asyncio.Semaphore(0)

        def slow(last: Message) -> Receive:
            pieces = iter([{"type": "http.request", "body": b"a=", "more_body": True}])

            async def receive() -> Message:
                if (piece := next(pieces, None)) is not None:
                    return piece
                begun.release()
                await is_sent.wait()
                return last

            return receive

        endings = [{"type": "http.request", "body": b"b"}, {"type": "http.disconnect"}]

        def begin(address: str, count: int) -> list[asyncio.Task[int]]:
            return [
                asyncio.create_task(
                    posted(app, "/sign-in", FORM, slow(endings[number % 2]), address)
                )
                for number in range(count)
            ]

        held = begin("10.0.0.1", MOST_BODIES_OF_ADDRESS)
        for number in range(2, 2 + MOST_BODIES // MOST_BODIES_OF_ADDRESS - 1):
            held += begin(f"10.0.0.{number}", MOST_BODIES_OF_ADDRESS)
        for _ in held:
            await begun.acquire()
        over = [await task for task in (*begin("10.0.0.1", 2), *begin("10.0.1.1", 2))]
        small = [await posted(app, "/sign-in", FORM, whole, "10.0.0.1")]
        is_sent.set()
        await asyncio.gather(*held, return_exceptions=True)
        after = [await task for task in begin("10.0.0.1", 1)]
        return over, small, after

    async def whole() -> Message:
        return {"type": "http.request", "body": b"a=b"}

    over, small, after = asyncio.run(statuses())

    assert over == [429, 429, 503, 503]
    assert (small, after) == ([403], [403])


def test_signing_in_takes_a_small_form_only(app: Any) -> None:
    """The one form of people nobody knows yet."""
    assert sent(app, "/sign-in", FORM) == (413, 17)


def test_json_is_small_and_files_are_not(tmp_path: Any, sqlite_template: Any) -> None:
    """A call of a known machine too is 1 MB at most, unless it brings a file."""
    url = f"sqlite:///{shutil.copyfile(sqlite_template, tmp_path / 'app.sqlite')}"
    app = make_app(Settings(data_folder=tmp_path, database_url=url, request_max_mb=3, log_max_mb=4))
    with Session(app.state.engine) as session:
        builders.a_stack(session, cells=0, serial="T-1")
        person = builders.a_person(session, "builder")
        session.add(
            ApiToken(
                token_sha256=hashlib.sha256(b"secret").hexdigest(),
                person_id=person.id,
                label="of a bench",
                made_at=builders.START,
            )
        )
        session.commit()
    known = JSON | {"authorization": "Bearer secret"}
    pieces_a_mb = 16

    assert sent(app, "/api/v1/records", known) == (413, pieces_a_mb + 1)
    assert sent(app, "/api/v1/stacks/T-1/sweeps", known) == (413, 3 * pieces_a_mb + 1)
    status, pieces = sent(app, "/api/v1/stacks/T-1/runs", known)
    assert status in (413, 422)
    assert pieces > 4 * pieces_a_mb
    app.state.engine.dispose()


@pytest.mark.parametrize("address", ["/people?text=a%00b", "/people/a%00b"])
def test_a_nul_sign_in_the_address_is_refused(
    signed_in_client: Callable[..., Any], address: str
) -> None:
    """PostgreSQL takes none in text."""
    assert signed_in_client("builder").get(address).status_code == 400


def test_signed_in_pages_are_not_kept_and_static_files_are(
    signed_in_client: Callable[..., Any],
) -> None:
    """Back after sign-out shows nothing; fonts come from the cache."""
    client = signed_in_client("builder")

    page = client.get("/people")
    style = page.text.split('href="/static/css/page.css?')[1].split('"')[0]

    assert page.headers["cache-control"] == "no-store"
    assert page.headers["vary"] == "HX-Request"
    assert "immutable" in client.get(f"/static/css/page.css?{style}").headers["cache-control"]
    assert "immutable" not in client.get("/static/css/page.css").headers["cache-control"]


def test_over_https_cookies_and_browsers_stay_there(tmp_path: Any, sqlite_template: Any) -> None:
    """Secure, bound to the host, and HSTS."""
    settings = Settings(
        data_folder=tmp_path, database_url=f"sqlite:///{sqlite_template}", cookie_secure=True
    )

    answer = FormClient(make_app(settings)).get("/sign-in")

    assert answer.headers["strict-transport-security"].startswith("max-age=")
