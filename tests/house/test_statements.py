"""Statements are made once, and nothing of one call can stay in them for the next."""

import ast
import inspect
from functools import cache
from importlib import import_module
from pathlib import Path

HERE = Path(__file__).parents[2]


@cache
def modules() -> dict[Path, ast.Module]:
    """The modules with kept statements, read once."""
    return {
        path: ast.parse(text)
        for path in sorted((HERE / "service").rglob("*.py"))
        if "@statement\n" in (text := path.read_text())
    }


def kept(node: ast.AST) -> bool:
    return isinstance(node, ast.FunctionDef) and any(
        isinstance(each, ast.Name) and each.id == "statement" for each in node.decorator_list
    )


def test_a_kept_statement_is_a_function_of_its_module_that_takes_flags_alone() -> None:
    """A function inside another would take along the values of one call."""
    inside, not_flags, closing_over = [], [], []
    for path, tree in modules().items():
        name = ".".join(path.relative_to(HERE).with_suffix("").parts)
        for node in filter(kept, ast.walk(tree)):
            assert isinstance(node, ast.FunctionDef)
            said = f"{name}.{node.name}"
            if node not in tree.body:
                inside.append(said)
                continue
            made = inspect.unwrap(getattr(import_module(name), node.name))
            if inspect.getclosurevars(made).nonlocals:
                closing_over.append(said)
            arguments = [*node.args.posonlyargs, *node.args.args, *node.args.kwonlyargs]
            if any(ast.unparse(each.annotation or each) != "bool" for each in arguments):
                not_flags.append(said)

    assert len(modules()) > 20
    assert (inside, not_flags, closing_over) == ([], [], [])
