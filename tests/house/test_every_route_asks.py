"""Nobody gets anywhere unasked: each route knows who calls, and names its act or runs a change."""

import ast
import inspect
import re
import textwrap
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

from fastapi.routing import APIRoute, iter_route_contexts

from service.bench.changes.entries import ENTRIES
from service.people.pages.signing_in import signed_in
from service.platform.api.callers import caller

HERE = Path(__file__).parents[2]
CHANGES = [path for path in (HERE / "service").rglob("*.py") if "/changes" in path.as_posix()]
PUBLIC = {
    ("GET", "/sign-in"),
    ("POST", "/first-start"),
    ("POST", "/sign-in"),
    ("GET", "/change-person"),
    ("POST", "/change-person"),
    ("POST", "/sign-out"),
    ("GET", "/health"),
    ("GET", "/favicon.ico"),
}
"""The way in and out, the mark in the tab, and whether the database answers."""
LEADS_ON = {("GET", "/")}
"""The first page only leads to the floor."""
ENDS_A_CHANGE = {"finish_entry"}
"""Writes the entry of the trail for a record which `lock_record` gave after asking."""


def routes_of(app: Any) -> list[Any]:
    """Every route with a function of ours behind it, with the path it is reached by."""
    return [
        route
        for route in iter_route_contexts(app.routes)
        if isinstance(route.original_route, APIRoute)
    ]


def depends_on(dependant: Any) -> Iterator[Any]:
    """Everything a route depends on, however deep."""
    for inner in dependant.dependencies:
        yield inner.call
        yield from depends_on(inner)


def ways(route: Any) -> set[tuple[str, str]]:
    """Method and path."""
    return {(method, route.path) for method in route.methods or ()}


def test_every_route_knows_who_asks(app: Any) -> None:
    """Signed in or with a token, but for the ways in."""
    routes = list(routes_of(app))
    assert len(routes) > 20

    open_ = [
        way
        for route in routes
        if not {signed_in, caller} & set(depends_on(route.dependant))
        for way in ways(route)
    ]

    assert set(open_) <= PUBLIC, "routes nobody has to be known for"


def test_without_signing_in_every_page_leads_to_the_sign_in(app: Any, client: Any) -> None:
    """Not only in the code's own words: each page asked for by somebody unknown."""
    for route in routes_of(app):
        for method, path in ways(route) - PUBLIC:
            concrete = re.sub(r"\{[^}]+\}", "1", path)

            answer = client.request(method, concrete)

            api = concrete.startswith("/api/")
            wanted = {401} if api else {303, 403} if method != "GET" else {303}
            assert answer.status_code in wanted, (method, concrete, answer.status_code)
            if answer.status_code == 303:
                assert answer.headers["location"].startswith("/sign-in"), (method, concrete)


def test_every_route_names_its_act_or_leaves_it_to_a_change(app: Any) -> None:
    """`need`, `may` or `changing` in the route or in a function of its module it calls."""
    silent = [
        (way, route.endpoint.__module__)
        for route in routes_of(app)
        for way in ways(route) - PUBLIC - LEADS_ON
        if not _asks(route.endpoint, set())
    ]

    assert silent == []


ASKS = frozenset({"need", "may", "changing"})


def _asks(
    function: Callable[..., Any], seen: set[str], asking: frozenset[str] | set[str] = ASKS
) -> bool:
    function = inspect.unwrap(function)
    module = inspect.getmodule(function)
    tree = ast.parse(textwrap.dedent(inspect.getsource(function)))
    called = {
        (getattr(node.func.value, "id", ""), node.func.attr)
        if isinstance(node.func, ast.Attribute)
        else ("", node.func.id)
        for node in ast.walk(tree)
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name | ast.Attribute)
    }
    if {name for _owner, name in called} & asking:
        return True
    for owner, name in called:
        if name in seen:
            continue
        seen.add(name)
        if any(_asks(inner, seen, asking) for inner in _ours(module, owner, name)):
            return True
    return False


def _ours(module: Any, owner: str, name: str) -> Iterator[Callable[..., Any]]:
    """A function of ours a module knows by this name: its own, a module's or a method's."""
    owners = [module, *(value for value in vars(module).values() if inspect.isclass(value))]
    if inspect.ismodule(imported := vars(module).get(owner)):
        owners = [imported]
    for holder in owners:
        inner = getattr(holder, name, None)
        if inspect.isfunction(inner) and inner.__module__.startswith("service."):
            yield inner


def test_every_kind_of_entry_asks_and_has_its_routes(app: Any) -> None:
    """A table hides from its route which change it makes, so the table itself is walked."""
    served = {way for route in routes_of(app) for way in ways(route)}
    record = "/records/{record_id}"

    silent = [name for name, entry in ENTRIES.items() if not _asks(entry.make, set(), {"need"})]
    by_hand = {("POST", f"{record}/{name}") for name, entry in ENTRIES.items() if entry.is_at_bench}
    by_machine = {("POST", f"/api/v1{record}/entries/{name}") for name in ENTRIES}

    assert silent == []
    assert by_hand | by_machine <= served


def test_every_change_asks_for_leave() -> None:
    """What writes to the trail calls `need`, itself or through another function of its room.

    So the API, the pages and the commands are guarded by the same line.
    """
    functions: dict[str, ast.FunctionDef] = {}
    public: list[str] = []
    for path in sorted(CHANGES):
        for node in ast.parse(path.read_text()).body:
            if isinstance(node, ast.FunctionDef):
                functions[f"{path}:{node.name}"] = node
                first = node.args.args[0].arg if node.args.args else ""
                if first == "work" and not node.name.startswith("_"):
                    public.append(f"{path}:{node.name}")
    by_name: dict[str, list[str]] = {}
    for full in functions:
        by_name.setdefault(full.split(":")[1], []).append(full)

    def calls(full: str, wanted: set[str], seen: set[str]) -> bool:
        seen.add(full)
        called = {
            node.func.id if isinstance(node.func, ast.Name) else node.func.attr
            for node in ast.walk(functions[full])
            if isinstance(node, ast.Call) and isinstance(node.func, ast.Name | ast.Attribute)
        }
        return bool(called & wanted) or any(
            calls(inner, wanted, seen)
            for name in called
            for inner in by_name.get(name, ())
            if inner not in seen
        )

    whole = [
        full
        for full in public
        if full.split(":")[1] not in ENDS_A_CHANGE and calls(full, {"note"}, set())
    ]
    silent = [full for full in whole if not calls(full, {"need"}, set())]

    assert len(whole) > 30
    assert silent == []
