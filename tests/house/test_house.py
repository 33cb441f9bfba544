"""The two orders of the house: storeys over the whole service, subjects inside a storey.

Every module has a subject and a storey by where it lies; one without a place fails. An import goes
to a lower storey, or stays in its storey and goes to a lower subject (or its own).
"""

import grimp
import pytest

STOREYS = (
    ("pages", "api"),
    ("files", "drawings"),
    ("changes",),
    ("queries",),
    ("database",),
    ("audit", "permissions"),
    ("tables",),
    ("errors",),
    ("arithmetic",),
)
"""From the top down; those of one line do not import one another."""
SUBJECTS = (
    "operation",
    "calculators",
    "overview",
    "planning",
    "bench",
    "life",
    "condition",
    "proof",
    "closing",
    "runs",
    "records",
    "taps",
    "stacks",
    "limits",
    "designs",
    "store",
    "people",
    "physics",
    "platform",
)
"""From the top down."""
ABOVE = ("app", "__main__", "commands", "demo", "generate", "settings")
"""What is put together at the top; import-linter holds its order (pyproject.toml)."""
HEIGHT = {name: -height for height, names in enumerate(STOREYS) for name in names}
RANK = {name: -rank for rank, name in enumerate(SUBJECTS)}
OWN_STOREY = {"migrating": "database"}
"""Modules that are no storey by name, with the storey they keep."""


@pytest.fixture(scope="module")
def graph() -> grimp.ImportGraph:
    """Every import of the service, those inside functions too."""
    return grimp.build_graph("service", cache_dir=None)


def place(module: str) -> tuple[str, str] | None:
    """Give subject and storey of a module; none for what is above both orders."""
    _, *path = module.split(".")
    if not path or path[0] in ABOVE or len(path) == 1:
        return None
    return path[0], OWN_STOREY.get(path[1], path[1])


def test_every_module_has_a_subject_and_a_storey(graph: grimp.ImportGraph) -> None:
    places = {module: place(module) for module in graph.modules}
    lost = [m for m, p in places.items() if p and (p[0] not in RANK or p[1] not in HEIGHT)]
    first = {module.split(".")[1] for module in graph.modules if "." in module}

    assert not lost
    assert first == {*SUBJECTS, *ABOVE}


def test_imports_go_down(graph: grimp.ImportGraph) -> None:
    upward = []
    for module in graph.modules:
        here = place(module)
        for imported in graph.find_modules_directly_imported_by(module) if here else ():
            there = place(imported)
            if there is None:
                if imported.split(".")[1] != "settings":
                    upward.append(f"{module} imports {imported}")
                continue
            height = HEIGHT[here[1]] - HEIGHT[there[1]]
            beside = height == 0 and here[1] != there[1]
            if height < 0 or beside or (height == 0 and RANK[here[0]] < RANK[there[0]]):
                upward.append(f"{module} imports {imported}")

    assert not sorted(upward)
