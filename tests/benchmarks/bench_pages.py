"""Pages over a generated history, as a ratio to an empty page of the same server in the same run.

    layerbook generate --stacks 1000 --cells 116 --builds 5
    LAYERBOOK_DATA_FOLDER=… pytest tests/benchmarks/bench_pages.py -q -s

The empty page is a list without rows: the same frame, the same sign-in, one statement.
"""

import socket
import threading
import time
from collections.abc import Callable, Iterator
from statistics import median
from typing import Any

import httpx
import pytest
import uvicorn
from sqlalchemy import func, select
from sqlalchemy.orm import Session

from service.app import make_app
from service.people import tables
from service.people.changes.people import add_person
from service.platform.arithmetic.vocabulary import Kind
from service.platform.database import changing
from service.platform.pages.guard import FORM_TOKEN, visit_cookie
from service.platform.permissions import Person, Role
from service.settings import Settings
from service.stacks.tables import Stack
from service.store.tables import Part, PartType

LOGIN, PASSWORD = "benchmark", "quite a long pass phrase"
EMPTY = "/holds?state=standing&text=nothing-goes-by-this"


@pytest.fixture(scope="module")
def server() -> Iterator[tuple[Any, str]]:
    """The server on the data folder of the environment, on a port of its own."""
    settings = Settings()
    app = make_app(settings)
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    running = uvicorn.Server(uvicorn.Config(app, port=port, log_level="error", server_header=False))
    thread = threading.Thread(target=running.run, daemon=True)
    thread.start()
    while not running.started:
        time.sleep(0.05)
    yield app, f"http://127.0.0.1:{port}"
    running.should_exit = True
    thread.join()


@pytest.fixture(scope="module")
def client(server: tuple[Any, str]) -> Iterator[httpx.Client]:
    """Somebody signed in."""
    app, address = server
    with Session(app.state.engine) as session:
        known = session.scalar(select(tables.Person.id).where(tables.Person.login == LOGIN))
    if known is None:
        owner = Person(0, "", "owner", frozenset({Role.ADMIN}))
        with changing(app.state.engine, owner, via="command") as work:
            add_person(work, LOGIN, "Benchmark", [Role.QUALITY], PASSWORD)
    with httpx.Client(base_url=address, follow_redirects=True, timeout=60) as client:
        client.get("/sign-in", headers={"accept": "text/html"})
        from service.platform.pages.guard import token_of

        token = token_of(client.cookies[visit_cookie(app.state.settings)])
        client.post("/sign-in", data={"login": LOGIN, "password": PASSWORD, FORM_TOKEN: token})
        yield client


def _timed(client: httpx.Client, path: str, times: int) -> list[float]:
    took = []
    for _ in range(times):
        start = time.perf_counter()
        answer = client.get(path, headers={"accept": "text/html"})
        took.append(time.perf_counter() - start)
        assert answer.status_code == 200, (path, answer.status_code)
    return took


def _told(name: str, seconds: float, empty: float) -> None:
    print(f"{name:<44}{seconds * 1000:8.1f} ms{seconds / empty:8.1f} empty pages")


def test_pages_of_a_large_history(server: tuple[Any, str], client: httpx.Client) -> None:
    """Median of first views of different stacks and of repeated views of one."""
    app, _ = server
    with Session(app.state.engine) as session:
        stacks = session.scalars(select(Stack.serial).order_by(Stack.id).limit(40)).all()
        meas = session.scalars(
            select(Part.id)
            .join(PartType, PartType.id == Part.part_type_id)
            .where(PartType.kind == Kind.MEA, Part.stack_id.is_not(None))
            .order_by(func.abs(Part.id - 1_000_000))
            .limit(40)
        ).all()
    _timed(client, EMPTY, 20)
    for path in (f"/stacks/{stacks[0]}", f"/parts/{meas[0]}", f"/parts/{meas[0]}/trace", "/stacks"):
        _timed(client, path, 3)

    empty = median(_timed(client, EMPTY, 60))
    whole = "whole=yes"
    print()
    _told("empty page", empty, empty)

    def first(make: Callable[[Any], str], keys: list[Any]) -> float:
        return median(took for key in keys for took in _timed(client, make(key), 1))

    _told("stack, first view", first(lambda s: f"/stacks/{s}", stacks[1:]), empty)
    _told(
        "stack, whole pile, first view", first(lambda s: f"/stacks/{s}?{whole}", stacks[1:]), empty
    )
    _told("stack, again", median(_timed(client, f"/stacks/{stacks[0]}", 30)), empty)
    _told("part, first view", first(lambda p: f"/parts/{p}", meas[1:]), empty)
    _told("part, again", median(_timed(client, f"/parts/{meas[0]}", 30)), empty)
    _told("trace, first view", first(lambda p: f"/parts/{p}/trace", meas[1:]), empty)
    _told("trace, again", median(_timed(client, f"/parts/{meas[0]}/trace", 15)), empty)
    _told("floor", median(_timed(client, "/floor", 20)), empty)
    _told("list of stacks", median(_timed(client, "/stacks", 20)), empty)
    _told("life of all MEAs by lot", median(_timed(client, "/life", 5)), empty)
    _told("list of records", median(_timed(client, "/records", 20)), empty)
    _told("audit trail", median(_timed(client, "/audit-trail", 20)), empty)
