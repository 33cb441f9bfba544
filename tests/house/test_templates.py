"""Templates say what they need, carry no script or style of their own, and each has its title."""

import re
from collections.abc import Iterator
from functools import cache
from pathlib import Path

import pytest
from jinja2 import Environment, TemplateError, nodes
from jinja2.meta import find_undeclared_variables

from service.platform.pages.forms import Form
from service.platform.pages.render import GIVEN, make_environment
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
DRAWS = re.compile(r"/(pages|drawings)\b")
NEEDS = re.compile(r"\{#-? needs:(?P<names>[^#]*?)-?#\}")
INLINE = {
    "a script": r"<script(?![^>]*\bsrc=)",
    "a style sheet": r"<style\b",
    "a style attribute": r"\sstyle=",
    "an event attribute": r"\s(on[a-z]+|hx-on[:\w-]*)=",
    "code in an address": r"javascript:|\bjs:",
}


@pytest.fixture(scope="module")
def environment(tmp_path_factory: pytest.TempPathFactory) -> Environment:
    """The environment the server uses."""
    settings = Settings(data_folder=tmp_path_factory.mktemp("data"))
    return make_environment(settings, TEMPLATES, HERE / "static")


def test_all_compile_with_the_filters_there_are(environment: Environment) -> None:
    """A filter nobody made is found here and not by whoever opens the page."""
    broken = []
    for name in NAMES:
        try:
            environment.get_template(name)
        except TemplateError as error:
            broken.append(f"{name}: {error}")

    assert broken == []


def test_the_first_line_names_what_a_template_needs(environment: Environment) -> None:
    """No more and no less, beyond what every template is given."""
    wrong = []
    for name in RENDERED:
        line = NEEDS.match((TEMPLATES / name).read_text())
        if line is None:
            wrong.append(f"{name}: the first line is {{# needs: … #}}")
            continue
        named = {word.strip() for word in line["names"].split(",") if word.strip()}
        must, may = needed(environment, name)
        wrong += [f"{name}: {word} is not named" for word in sorted(must - named)]
        wrong += [f"{name}: {word} is not needed" for word in sorted(named - may)]

    assert wrong == []


def test_no_template_calls_its_own_what_every_template_is_given(environment: Environment) -> None:
    """The frame of the page would show it, or fail by it."""
    taken = {
        name: bound
        for name in NAMES
        if (bound := GIVEN & {*names_bound_in(parsed(environment, name))})
    }

    assert taken == {}


@cache
def parsed(environment: Environment, name: str) -> nodes.Template:
    """Read a template, once for all tests."""
    return environment.parse((TEMPLATES / name).read_text())


@cache
def needed(environment: Environment, name: str) -> tuple[set[str], set[str]]:
    """What a template takes from its context for certain, and what it may take.

    Jinja looks at each block alone and takes names bound at the top, in a loop or in a call for
    names of the context: those are in the second only. Parts it includes count too.
    """
    tree = parsed(environment, name)
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


def test_a_page_has_one_title() -> None:
    """For the tab, the history and whoever listens."""
    title, empty = r"\{%-? block title -?%\}", r"\{%-? block title -?%\}\s*\{%-? endblock"
    sources = {name: (TEMPLATES / name).read_text() for name in PAGES}

    bare = [
        name
        for name, source in sources.items()
        if '{% extends "base.html" %}' not in source
        or len(re.findall(title, source)) != 1
        or re.search(empty, source)
    ]

    assert bare == []


def test_a_page_has_a_heading_of_the_first_order(environment: Environment) -> None:
    """Its own, or that of a part it includes."""
    bare = [
        name
        for name in PAGES
        if not any(
            "<h1" in (TEMPLATES / inner).read_text() for inner in with_parts(environment, name)
        )
    ]

    assert bare == []


def with_parts(environment: Environment, name: str) -> set[str]:
    """A template and the parts it includes by name."""
    inner = {
        include.template.value
        for include in parsed(environment, name).find_all(nodes.Include)
        if isinstance(include.template, nodes.Const)
    }
    return {name}.union(*(with_parts(environment, part) for part in inner))


def test_no_template_and_no_drawing_carries_script_or_style() -> None:
    """The content security policy forbids it; so nothing may count on it."""
    files = [
        *TEMPLATES.rglob("*.html"),
        *(path for path in (HERE / "service").rglob("*.py") if DRAWS.search(path.as_posix())),
    ]

    carrying = [
        f"{path.relative_to(HERE)}: {what}: {found.group(0).strip()}"
        for path in files
        for what, pattern in INLINE.items()
        for found in re.finditer(pattern, without_comments(path), re.IGNORECASE)
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
        if "csrf_field" not in form and "bench/parts/_form.html" not in form
    ]

    assert bare == []
