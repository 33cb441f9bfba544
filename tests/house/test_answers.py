"""Rows of the database are read by name."""

import ast
from functools import cache
from importlib import import_module
from pathlib import Path

from service.platform.queries.answers import fields_of

HERE = Path(__file__).parents[2]
ASKS = {"execute", "all", "first", "one", "one_or_none"}


@cache
def modules() -> dict[Path, ast.Module]:
    """The modules that ask the database, read once."""
    return {
        path: ast.parse(text)
        for path in sorted((HERE / "service").rglob("*.py"))
        if ".execute(" in (text := path.read_text()) or "read_as(" in text
    }


def asks(node: ast.AST, rows: set[str]) -> bool:
    """Whether an expression asks the database, or speaks of rows that came from it."""
    return any(
        (isinstance(each, ast.Attribute) and each.attr in ASKS)
        or (isinstance(each, ast.Name) and each.id in rows)
        for each in ast.walk(node)
    )


def names(target: ast.AST) -> set[str]:
    return {each.id for each in ast.walk(target) if isinstance(each, ast.Name)}


def by_place(function: ast.FunctionDef) -> list[int]:
    """Lines of a function in which an answer is made of a row by the places of its columns."""
    rows: set[str] = set()
    for _ in range(3):  # a name may come from a name that stands below
        for node in ast.walk(function):
            if isinstance(node, ast.For | ast.comprehension) and asks(node.iter, rows):
                rows |= names(node.target)
            elif isinstance(node, ast.Assign) and asks(node.value, rows):
                rows |= {name for target in node.targets for name in names(target)}
            elif isinstance(node, ast.AnnAssign) and node.value and asks(node.value, rows):
                rows |= names(node.target)
    return [
        call.lineno
        for call in ast.walk(function)
        if isinstance(call, ast.Call)
        and isinstance(call.func, ast.Name)
        and call.func.id.lstrip("_")[:1].isupper()
        for argument in call.args
        if isinstance(argument, ast.Starred) and names(argument) & rows
    ]


def test_no_answer_is_made_of_a_row_by_the_places_of_its_columns() -> None:
    """Two columns of one type change places, and neither a type nor a name notices."""
    sample = "def lots(session):\n    return [Lot(*row) for row in session.execute(LOTS)]"
    (function,) = ast.parse(sample).body
    assert isinstance(function, ast.FunctionDef)
    assert by_place(function) == [2]

    found = [
        f"{path.relative_to(HERE)}:{line}"
        for path, tree in modules().items()
        for node in tree.body
        if isinstance(node, ast.FunctionDef)
        for line in by_place(node)
    ]
    assert found == []


def test_what_is_said_for_a_field_is_said_for_one_the_answer_has() -> None:
    """Types say nothing of names given to `columns` and `read_as`."""
    checked, strange = 0, []
    for path, tree in modules().items():
        module = ".".join(path.relative_to(HERE).with_suffix("").parts)
        for call in ast.walk(tree):
            if not (isinstance(call, ast.Call) and isinstance(call.func, ast.Name)):
                continue
            if call.func.id not in {"columns", "read_as"} or not call.args:
                continue
            of = call.args[0]
            answer = (
                getattr(import_module(module), of.id, None) if isinstance(of, ast.Name) else None
            )
            if not isinstance(answer, type):
                continue
            checked += 1
            said = {keyword.arg for keyword in call.keywords}
            strange += [f"{module}:{call.lineno} {name}" for name in said - {*fields_of(answer)}]

    assert checked > 100
    assert strange == []
