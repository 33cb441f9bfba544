"""A real Chromium on a real server: what a browser test may ask for.

``page``      a page at 1280 × 800 which fails the test for anything in its console
``served_at`` the address of a server process on a database of its own; ``lab`` is its engine
``sign_in``   ``sign_in(page, "supervisor")`` by the sign-in page

Chromium is Debian's; LAYERBOOK_TEST_CHROMIUM names another. Without one the tests are skipped, in
CI they fail.
"""

import os
import re
import shutil
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Browser, ConsoleMessage, Page, sync_playwright
from sqlalchemy import Engine
from sqlalchemy.orm import Session

from service.records.database import make_engine
from service.records.tables.people import Role
from tests import builders
from tests.commands.running import served
from tests.conftest import missing

ARGUMENTS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]
REFUSED = re.compile(r"status of (401|403|409|422)")
"""An answer that takes a form back is told in the console too; it is no mistake."""


@pytest.fixture(scope="module")
def chromium() -> Iterator[Browser]:
    """One browser for a module."""
    path = os.environ.get("LAYERBOOK_TEST_CHROMIUM") or shutil.which("chromium")
    if path is None:
        missing("Chromium")
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=path, args=ARGUMENTS)
        yield browser
        browser.close()


@pytest.fixture
def lab(sqlite_template: Path, tmp_path: Path) -> Iterator[Engine]:
    """The database of the served laboratory, for a test to put rows into."""
    shutil.copyfile(sqlite_template, tmp_path / "served.sqlite")
    engine = make_engine(f"sqlite:///{tmp_path / 'served.sqlite'}")
    yield engine
    engine.dispose()


@pytest.fixture
def served_at(lab: Engine, tmp_path: Path) -> Iterator[str]:
    """The address of a server process on that database."""
    with served(str(lab.url), tmp_path / "data") as (address, _process):
        yield address


@pytest.fixture
def page(chromium: Browser) -> Iterator[Page]:
    """A page which takes no error, no blocked script or style and no broken address."""
    wrong: list[str] = []

    def said(message: ConsoleMessage) -> None:
        refused = "Failed to load resource" in message.text and REFUSED.search(message.text)
        if message.type in {"error", "warning"} and not refused:
            wrong.append(f"{message.type}: {message.text}")

    context = chromium.new_context(viewport={"width": 1280, "height": 800})
    page = context.new_page()
    page.on("console", said)
    page.on("pageerror", lambda trouble: wrong.append(str(trouble)))
    page.set_default_timeout(10_000)
    yield page
    context.close()
    assert wrong == []


@pytest.fixture
def sign_in(lab: Engine, served_at: str) -> Callable[..., Any]:
    """Sign somebody in by the sign-in page: a role or roles, and a name if it matters."""

    def by_page(page: Page, *roles: Role | str, name: str = "") -> int:
        with Session(lab) as session:
            person = builders.a_person(session, *roles, name=name)
            login, person_id = person.login, person.id
            session.commit()
        page.goto(f"{served_at}/sign-in")
        page.get_by_label("Login").fill(login)
        page.get_by_label("Password").fill(builders.PASSWORD)
        page.get_by_role("button", name="Sign in").click()
        page.wait_for_url(lambda address: "/sign-in" not in address)
        return person_id

    return by_page
