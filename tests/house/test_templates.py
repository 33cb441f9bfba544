"""Templates say what they need, carry no script or style of their own, and each has its title."""

import re
from collections.abc import Iterator
from pathlib import Path

import pytest
from jinja2 import Environment, FileSystemLoader, nodes
from jinja2.meta import find_undeclared_variables

from service.faces.pages.forms import Form
from service.faces.pages.render import GIVEN, make_environment
from service.settings import Settings
from tests.form_client import not_choosable

HERE = Path(__file__).parents[2]
TEMPLATES = HERE / "templates"
NAMES = sorted(path.relative_to(TEMPLATES).as_posix() for path in TEMPLATES.rglob("*.html"))
IMPORTED = set(
    re.findall(
        r"\{%-? (?:from|import) \"([\w/.]+)\"",
        "".join((TEMPLATES / name).read_text() for name in NAMES),
    )
)
RENDERED = [
    name
    for name in NAMES
    if name not in IMPORTED and not name.startswith("macros/") and name != "base.html"
]
PAGES = [name for name in RENDERED if not Path(name).name.startswith("_")]
NEEDS = re.compile(r"\{#-? needs:(?P<names>[^#]*?)-?#\}")
INLINE = {
    "a script": r"<script(?![^>]*\bsrc=)",
    "a style sheet": r"<style\b",
    "a style attribute": r"\sstyle=[\"'{]",
    "an event attribute": r"\s(on[a-z]+|hx-on[:\w-]*)=[\"'{]",
    "code in an address": r"javascript:|\bjs:",
}


@pytest.fixture(scope="module")
def environment(tmp_path_factory: pytest.TempPathFactory) -> Environment:
    """The environment the server uses."""
    settings = Settings(data_folder=tmp_path_factory.mktemp("data"))
    return make_environment(settings, TEMPLATES, HERE / "static")


@pytest.mark.parametrize("name", NAMES)
def test_it_compiles_with_the_filters_there_are(environment: Environment, name: str) -> None:
    """A filter nobody made is found here and not by whoever opens the page."""
    environment.get_template(name)


@pytest.mark.parametrize("name", RENDERED)
def test_its_first_line_names_what_it_needs(environment: Environment, name: str) -> None:
    """No more and no less, beyond what every template is given."""
    source = (TEMPLATES / name).read_text()

    line = NEEDS.match(source)

    assert line, "the first line is {# needs: … #}"
    said = {word.strip() for word in line["names"].split(",") if word.strip()}
    must, may = needed(environment, name)
    assert (sorted(must - said), sorted(said - may)) == ([], []), "not named, not needed"


def needed(environment: Environment, name: str) -> tuple[set[str], set[str]]:
    """What a template takes from its context for certain, and what it may take.

    Jinja looks at each block alone and takes names bound at the top, in a loop or in a call for
    names of the context: those are in the second only. Parts it includes count too.
    """
    tree = environment.parse((TEMPLATES / name).read_text())
    may = find_undeclared_variables(tree)
    bound = set(names_bound_in(tree))
    must = may - bound - set(names_with_a_default(tree))
    for include in tree.find_all(nodes.Include):
        if isinstance(include.template, nodes.Const):
            inner_must, inner_may = needed(environment, include.template.value)
            must |= inner_must - bound
            may |= inner_may
        else:  # which part is a matter of the moment: one of those beside it
            beside = {path.name for path in (TEMPLATES / name).parent.glob("_*.html")}
            for part in beside - {Path(name).name}:
                may |= needed(environment, f"{Path(name).parent}/{part}")[1]
    return must - GIVEN, may - GIVEN


def names_with_a_default(tree: nodes.Template) -> Iterator[str]:
    """What a part does without: ``moment|default("done_at")``."""
    for one in tree.find_all(nodes.Filter):
        if one.name == "default" and isinstance(one.node, nodes.Name):
            yield one.node.name


def names_bound_in(tree: nodes.Template) -> Iterator[str]:
    """Macros brought in or made, loop variables, names set."""
    for brought in tree.find_all(nodes.FromImport):
        yield from (name[1] if isinstance(name, tuple) else name for name in brought.names)
    for brought in tree.find_all(nodes.Import):
        yield brought.target
    for macro in tree.find_all(nodes.Macro):
        yield macro.name
    for name in tree.find_all(nodes.Name):
        if name.ctx in {"store", "param"}:
            yield name.name


@pytest.mark.parametrize("name", PAGES)
def test_a_page_has_one_title(name: str) -> None:
    """For the tab, the history and whoever listens."""
    source = (TEMPLATES / name).read_text()

    assert '{% extends "base.html" %}' in source
    assert len(re.findall(r"\{%-? block title -?%\}", source)) == 1
    assert not re.search(r"\{%-? block title -?%\}\s*\{%-? endblock", source)


@pytest.mark.parametrize("name", PAGES)
def test_a_page_has_one_heading_of_the_first_order(name: str) -> None:
    """Its own, or that of a part it includes."""
    found = sum(
        len(re.findall(r"<h1\b", (TEMPLATES / inner).read_text())) for inner in with_parts(name)
    )

    assert found >= 1


def with_parts(name: str) -> set[str]:
    """A template and the parts it includes by name."""
    tree = Environment(loader=FileSystemLoader(TEMPLATES), autoescape=True).parse(
        (TEMPLATES / name).read_text()
    )
    inner = {
        include.template.value
        for include in tree.find_all(nodes.Include)
        if isinstance(include.template, nodes.Const)
    }
    return {name}.union(*(with_parts(part) for part in inner))


@pytest.mark.parametrize("what", INLINE)
def test_no_template_and_no_drawing_carries(what: str) -> None:
    """The content security policy forbids it; so nothing may count on it."""
    files = [
        *TEMPLATES.rglob("*.html"),
        *(HERE / "service" / "faces" / "drawings").rglob("*.py"),
        *(HERE / "service" / "faces" / "pages").rglob("*.py"),
    ]

    carrying = [
        f"{path.relative_to(HERE)}: {found.group(0).strip()}"
        for path in files
        for found in re.finditer(INLINE[what], without_comments(path), re.IGNORECASE)
        if path.suffix == ".html" or "<" in found.group(0) or "style=" in found.group(0)
    ]

    assert carrying == []


def without_comments(path: Path) -> str:
    """Text of a file, Jinja comments left out."""
    return re.sub(r"\{#.*?#\}", "", path.read_text(), flags=re.DOTALL)


@pytest.mark.parametrize(("first", "refused"), [("either end", 1), ("choose", 0)])
def test_a_required_select_that_begins_with_an_empty_answer_is_found(
    environment: Environment, first: str, refused: int
) -> None:
    """The client of the page tests refuses every page with one: a browser would not send it."""
    macros = environment.get_template("macros/field.html").module
    choices = [("", first), ("free end", "the free end only")]

    shown = macros.select(Form({}), "end", "End", choices)  # type: ignore[attr-defined]
    chosen = macros.select(Form({"end": ["free end"]}), "end", "End", choices)  # type: ignore[attr-defined]

    assert len(not_choosable(shown)) == refused
    assert not_choosable(chosen) == []


def test_every_form_that_changes_something_carries_its_token() -> None:
    """`csrf_field` in each form that posts; the server refuses it otherwise."""
    forms = re.compile(r"<form\b(?=[^>]*method=\"post\").*?</form>", re.DOTALL | re.IGNORECASE)

    bare = [
        name
        for name in NAMES
        for form in forms.findall(without_comments(TEMPLATES / name))
        if "csrf_field" not in form and "bench/_form.html" not in form
    ]

    assert bare == []
