"""Every page of the demo answers, whoever looks at it."""

import re
from collections import deque
from html.parser import HTMLParser
from pathlib import Path
from urllib.parse import urldefrag, urljoin

import pytest
from anyio.from_thread import BlockingPortal

from service.app import make_app
from service.demo.building import demo_settings
from service.demo.lab import PASSPHRASE
from tests.form_client import FormClient

pytestmark = pytest.mark.slow


class _Links(HTMLParser):
    """Every address on a page that a person or browser follows without changing anything."""

    def __init__(self) -> None:
        super().__init__()
        self.found: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        given = dict(attrs)
        for name in ("href", "xlink:href", "src", "hx-get"):
            if given.get(name):
                self.found.append(given[name] or "")
        if tag == "form" and (given.get("method") or "get").lower() == "get":
            self.found.append(given.get("action") or "")


BY_NIGHT = ("keiko", "olu", "dev")
OF_EACH_SHAPE = 3
"""Pages of one shape looked at by night, such as pages of parts; by day one, however asked."""


def _crawl(client: FormClient, first: str, of_each_shape: int) -> dict[str, tuple[int, str]]:
    """Follow links from a page; gives of each address its status and the page it stood on."""
    seen: dict[str, tuple[int, str]] = {}
    shapes: dict[str, int] = {}
    waiting = deque([(first, "")])
    while waiting:
        address, came_from = waiting.popleft()
        shape = re.sub(r"[^/?&=]*\d[^/?&=]*", "N", address)
        if of_each_shape == 1:
            shape = re.sub(r"=[^&]*", "=", shape)
        if address in seen or shapes.get(shape, 0) >= of_each_shape:
            continue
        shapes[shape] = shapes.get(shape, 0) + 1
        answer = client.get(address, headers={"accept": "text/html"}, follow_redirects=True)
        seen[address] = (answer.status_code, came_from)
        if not answer.headers.get("content-type", "").startswith(("text/html", "image/svg")):
            continue
        links = _Links()
        links.feed(answer.text)
        for link in links.found:
            there = urldefrag(urljoin(address, link)).url
            if there.startswith("/") and there != "/sign-out":
                waiting.append((there, address))
    return seen


@pytest.mark.parametrize(
    "login", ["mira", *(pytest.param(name, marks=pytest.mark.night) for name in BY_NIGHT)]
)
def test_no_link_of_the_demo_is_dead(
    own: Path, portal: BlockingPortal, whole: bool, login: str
) -> None:
    app = make_app(demo_settings(own))
    client = FormClient(app, follow_redirects=False)
    client.portal = portal
    client.post("/sign-in", data={"login": login, "password": PASSPHRASE})

    seen = _crawl(client, "/stacks", OF_EACH_SHAPE if whole else 1)
    app.state.engine.dispose()

    dead = {address: found for address, found in seen.items() if found[0] != 200}
    assert dead == {}
    assert any(re.fullmatch(r"/parts/\d+/trace", address) for address in seen)
    assert len(seen) > 60
