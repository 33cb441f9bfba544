"""Somebody's first hour: the demo, started as the README says, and what it tells to try first."""

import re
import shutil
import subprocess
import sys
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest
from playwright.sync_api import Page, expect

from tests.browser.looking import barriers
from tests.operation.running import HERE, answered, environment, free_port

pytestmark = pytest.mark.browser


@dataclass(frozen=True)
class Told:
    """What the demo printed: its address, who signs in with what, and what to try as whom."""

    address: str
    passphrase: str
    logins: dict[str, str]
    steps: tuple[tuple[str, str], ...]


@pytest.fixture(scope="module")
def demo(
    request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory, *, whole: bool
) -> Iterator[Told]:
    """The demo as served; the command builds it by night, by day it finds one built."""
    folder, port = tmp_path_factory.mktemp("demo"), free_port()
    if not whole:
        shutil.copytree(request.getfixturevalue("built"), folder / "lab")
    said = folder / "said.txt"
    words = ["demo", "--folder", str(folder / "lab"), "--port", str(port)]
    with said.open("w") as out:
        process = subprocess.Popen(
            [sys.executable, "-m", "service", *words],
            cwd=HERE,
            env=environment(folder) | {"PYTHONUNBUFFERED": "1"},
            stdout=out,
            stderr=subprocess.DEVNULL,
        )
    try:
        answer = answered(process, f"http://127.0.0.1:{port}/health", within_s=120)
        assert answer.status_code == 200, said.read_text()
        yield read(said)
    finally:
        process.kill()
        process.wait(10)


def read(said: Path) -> Told:
    """Understand what was printed, as a person would."""
    text = said.read_text()
    address = re.search(r"http://\S+", text)
    passphrase = re.search("“(.+)”", text)
    assert address is not None
    assert passphrase is not None
    signing_in, _, trying = text.partition("Try first")
    people = re.findall(r"^  (\S+)\s+[^,\n]+, (\w+)\s+\S+$", signing_in, re.MULTILINE)
    steps = re.findall(r"^  (\w+) .*\n\s+http://[^/]+(/\S*)$", trying, re.MULTILINE)
    logins = {role: login for login, role in people}
    return Told(address[0], passphrase[1], logins, tuple(steps))


@pytest.mark.parametrize(
    "role",
    [
        pytest.param("builder", marks=pytest.mark.night),
        pytest.param("quality", marks=pytest.mark.night),
        "supervisor",
    ],
)
def test_each_role_finds_what_the_demo_tells_it_to_try(
    new_page: Callable[..., Page], demo: Told, role: str, *, whole: bool
) -> None:
    """The login works, the page is there, and nobody is kept out of it; by day, of the first."""
    page = new_page()
    paths = [path for of_role, path in demo.steps if of_role == role]
    assert paths

    page.goto(f"{demo.address}/sign-in")
    page.get_by_label("Login").fill(demo.logins[role])
    page.get_by_label("Password").fill(demo.passphrase)
    page.get_by_role("button", name="Sign in").click()
    page.wait_for_url(lambda address: "/sign-in" not in address)
    for path in paths:
        answer = page.goto(demo.address + path)
        assert answer is not None
        assert answer.ok, path
        expect(page.get_by_role("heading", level=1)).to_have_count(1)
        if whole or path == paths[0]:
            assert barriers(page) == [], path
