"""A real Chromium on a real server: what a browser test may ask for.

``page``      a page at 1280 × 800 which fails the test for anything in its console
``new_page``  ``new_page(width=820, height=1180, …)``: one more, with a context of its own
``lab``       the database of the served laboratory; ``served_at`` the address of its server
``rows``      ``rows(lambda session: …)``: make rows with the builders and keep them
``sign_in``   ``sign_in(page, "supervisor")``: the browser of that page is somebody's from now on

One server process serves all tests, on one database: a test makes the stacks it looks at.
Chromium is Debian's; LAYERBOOK_TEST_CHROMIUM names another. Without one the tests are skipped, in
CI they fail.
"""

import os
import re
import shutil
from collections.abc import Callable, Iterator
from functools import cache
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import (
    Browser,
    ConsoleMessage,
    Page,
    Playwright,
    expect,
    sync_playwright,
)
from sqlalchemy import Engine
from sqlalchemy.orm import Session

from service.people.tables import Role
from service.platform.database import make_engine
from tests import builders
from tests.browser.looking import send_sign_in
from tests.conftest import missing
from tests.operation.running import served

ARGUMENTS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]
expect.set_options(timeout=15_000)
REFUSED = re.compile(r"status of (401|403|404|409|422)")
"""An answer that takes a form back is told in the console too; it is no mistake."""
BLOCKED = """
addEventListener("securitypolicyviolation", (event) => {
  const at = event.target.outerHTML?.slice(0, 200) ?? event.sourceFile;
  console.error(`blocked by ${event.violatedDirective}: ${event.blockedURI} ${event.sample} ${at}`);
});
"""


@cache
def launched() -> tuple[Playwright, Browser]:
    """Start Chromium: while it lives no other event loop can run in this process."""
    path = os.environ.get("LAYERBOOK_TEST_CHROMIUM") or shutil.which("chromium")
    if path is None:
        missing("Chromium")
    playwright = sync_playwright().start()
    return playwright, playwright.chromium.launch(executable_path=path, args=ARGUMENTS)


@pytest.hookimpl(wrapper=True)
def pytest_runtest_teardown(nextitem: pytest.Item | None) -> Iterator[None]:
    """Keep the browser from one module to the next, until a test without one follows."""
    yield
    to_follow = nextitem is not None and nextitem.get_closest_marker("browser")
    if launched.cache_info().currsize and not to_follow:
        playwright, browser = launched()
        launched.cache_clear()
        browser.close()
        playwright.stop()


@pytest.fixture(scope="module")
def chromium() -> Browser:
    """The browser of this process."""
    return launched()[1]


@pytest.fixture(scope="session")
def lab(sqlite_template: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Engine]:
    """The database of the served laboratory, for a test to put rows into."""
    path = tmp_path_factory.mktemp("lab") / "served.sqlite"
    shutil.copyfile(sqlite_template, path)
    engine = make_engine(f"sqlite:///{path}")
    yield engine
    engine.dispose()


@pytest.fixture(scope="session")
def served_at(lab: Engine, tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """The address of a server process on that database."""
    with served(str(lab.url), tmp_path_factory.mktemp("lab-data")) as (address, _process):
        yield address


@pytest.fixture
def rows(lab: Engine) -> Callable[..., Any]:
    """Make rows with the builders and keep them."""

    def make(build: Callable[[Session], Any]) -> Any:
        with Session(lab, expire_on_commit=False) as session:
            made = build(session)
            session.commit()
            return made

    return make


@pytest.fixture
def new_page(chromium: Browser) -> Iterator[Callable[..., Page]]:
    """Open pages which take no error, no blocked script or style and no broken address."""
    wrong: list[str] = []
    contexts = []

    def make(*, unheard: str = "", width: int = 1280, height: int = 800, **more: Any) -> Page:
        """``unheard``: what this test provokes itself and the console may say."""

        def said(message: ConsoleMessage) -> None:
            if message.type not in {"error", "warning"} or REFUSED.search(message.text):
                return
            if not (unheard and re.search(unheard, message.text)):
                wrong.append(f"{message.type} at {message.location['url']}: {message.text}")

        context = chromium.new_context(viewport={"width": width, "height": height}, **more)
        contexts.append(context)
        context.add_init_script(BLOCKED)
        page = context.new_page()
        page.on("console", said)
        page.on("pageerror", lambda trouble: wrong.append(str(trouble)))
        page.set_default_timeout(15_000)
        return page

    yield make
    for context in contexts:
        context.close()
    assert wrong == []


@pytest.fixture
def page(new_page: Callable[..., Page]) -> Page:
    """A page on a desk."""
    return new_page()


@pytest.fixture
def sign_in(rows: Callable[..., Any], served_at: str) -> Callable[..., Any]:
    """Sign somebody in, page unseen: a role or roles, or the login of somebody known."""

    def by_form(page: Page, *roles: Role | str, name: str = "", login: str = "") -> int:
        person_id = 0
        if not login:
            person = rows(lambda session: builders.a_person(session, *roles, name=name))
            login, person_id = person.login, person.id
        send_sign_in(page.context, served_at, login)
        return person_id

    return by_form
