"""Habits of the source which no other tool holds."""

import ast
import re
from functools import cache
from pathlib import Path

from tests.house import counts

HERE = Path(__file__).parents[2]
SERVICE = sorted((HERE / "service").rglob("*.py"))
MODULES = [
    *SERVICE,
    *sorted((HERE / "tests").rglob("*.py")),
    HERE / "migrations" / "env.py",
    HERE / "migrations" / "triggers.py",
]
NO_ROOMS = {"utils", "helpers", "common", "core", "base", "misc", "util", "shared"}


@cache
def parsed(path: Path) -> ast.Module:
    """Read a module, once for all tests."""
    return ast.parse(path.read_text())


def named(path: Path) -> str:
    """A file as it is called from the top."""
    return path.relative_to(HERE).as_posix()


def test_only_the_database_module_commits() -> None:
    """One place decides what is written: a function given a session never does."""
    committing = {
        named(path)
        for path in SERVICE
        for node in ast.walk(parsed(path))
        if isinstance(node, ast.Attribute) and node.attr == "commit"
    }

    assert committing == {"service/platform/database.py"}


def test_only_the_database_module_reads_the_clock() -> None:
    """By whatever name."""
    clock = re.compile(r"\b(datetime\.now|utcnow|date\.today|time\.time|perf_counter|func\.now)\(")

    reading = {named(path) for path in SERVICE if clock.search(path.read_text())}

    assert reading == {"service/platform/database.py"}


def test_an_init_holds_a_docstring_at_most() -> None:
    """Nothing runs because something beside it was imported."""
    busy = [
        named(path)
        for path in SERVICE
        if path.name == "__init__.py"
        for node in parsed(path).body
        if not (isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant))
    ]

    assert busy == []


def test_no_room_for_odds_and_ends() -> None:
    """A module is named for what it knows."""
    odd = {named(path) for path in (HERE / "service").rglob("*") if path.stem in NO_ROOMS}

    assert odd == set()


def test_every_module_says_what_it_is() -> None:
    """In its first line."""
    silent = [
        named(path)
        for path in MODULES
        if path.name != "__init__.py" and not ast.get_docstring(parsed(path))
    ]

    assert silent == []


def test_every_public_function_says_what_it_answers() -> None:
    """A docstring under each public function and class of the service."""
    silent = []
    for path in SERVICE:
        tree = parsed(path)
        for node in tree.body:
            ours = isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef | ast.ClassDef)
            if ours and not node.name.startswith("_") and not ast.get_docstring(node):  # type: ignore[attr-defined]
                silent.append(f"{named(path)}: {node.name}")  # type: ignore[attr-defined]

    assert silent == []


def test_public_docstrings_state_and_do_not_ask() -> None:
    """The summary line commands ("Return …", "Say whether …") or names a thing."""
    asking = []
    for path in SERVICE:
        for node in ast.walk(parsed(path)):
            ours = isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef | ast.ClassDef)
            if not ours or node.name.startswith("_"):  # type: ignore[attr-defined]
                continue
            summary = (ast.get_docstring(node) or "").split("\n\n")[0]  # type: ignore[arg-type]
            if summary.endswith("?") or re.match(r"(Be true|Whether)\b", summary):
                asking.append(f"{named(path)}: {node.name}")  # type: ignore[attr-defined]

    assert asking == []


def test_migrations_import_nothing_of_ours() -> None:
    """A step means tomorrow what it meant today."""
    importing = [
        named(path)
        for path in (HERE / "migrations" / "versions").glob("*.py")
        if re.search(
            r"^\s*(from|import) (service|tests|migrations)\b", path.read_text(), re.MULTILINE
        )
    ]

    assert importing == []


def test_foreign_keys_say_what_happens_on_deletion() -> None:
    """Always RESTRICT: history is never cascaded away."""
    from service.operation.tables import metadata

    loose = [
        str(key.parent)
        for table in metadata.tables.values()
        for key in table.foreign_keys
        if key.ondelete != "RESTRICT"
    ]

    assert loose == []


def test_no_folder_shows_more_than_somebody_takes_in() -> None:
    """About 25 entries: beyond that a line is found by grep only."""
    assert counts.crowded() == []
