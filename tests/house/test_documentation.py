"""What the documentation promises is there, and what is there is in the documentation."""

import doctest
import re
import shlex
import tomllib
from importlib import import_module
from pathlib import Path
from typing import Any

import typer
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

from service.commands.main import app as commands
from service.platform.permissions import Act
from service.settings import Settings

HERE = Path(__file__).parents[2]
README = (HERE / "README.md").read_text()
DEVELOPERS = (HERE / "DEVELOPERS.md").read_text()
BOTH = README + DEVELOPERS


def every_command() -> list[str]:
    """All commands with their subcommands: ``person add``."""

    def walk(command: Any, words: tuple[str, ...]) -> list[str]:
        if not hasattr(command, "commands"):
            return [" ".join(words)]
        inner = command.commands.items()
        return [found for name, one in inner for found in walk(one, (*words, name))]

    return walk(typer.main.get_command(commands), ())


def test_every_setting_is_documented() -> None:
    """By the name it has in the environment."""
    names = [f"LAYERBOOK_{setting.upper()}" for setting in Settings.model_fields]

    assert [name for name in names if name not in BOTH] == []


def test_every_command_is_documented() -> None:
    """As it is typed."""
    assert [words for words in every_command() if f"layerbook {words}" not in BOTH] == []


def test_every_act_is_documented() -> None:
    """Who may do it is a question people ask."""
    assert [act.value for act in Act if f"`{act.value}`" not in DEVELOPERS] == []


def test_every_command_the_documentation_names_is_there() -> None:
    """With its subcommand."""
    known = every_command()
    typed = re.findall(r"layerbook ((?:[a-z]+ ?){1,2})", BOTH)

    unknown = [
        words
        for words in (found.strip() for found in typed)
        if not any(words == one or words.startswith(f"{one} ") or one.startswith(f"{words} ")
                   or words.split()[0] == one for one in known)
    ]  # fmt: skip

    assert unknown == []


def test_every_setting_the_documentation_names_is_there() -> None:
    """No setting of yesterday."""
    known = {f"LAYERBOOK_{name.upper()}" for name in Settings.model_fields}
    known |= {"LAYERBOOK_TEST_POSTGRES"}

    assert set(re.findall(r"LAYERBOOK_[A-Z][A-Z_]+", BOTH)) <= known


def test_every_file_the_documentation_names_is_there() -> None:
    """Folders and modules in backquotes."""
    named = re.findall(r"`((?:service|tests|migrations|templates|static)/[\w./-]+)`", BOTH)

    missing = [
        name
        for name in named
        if not re.search("[A-Z]{3}", name) and not (HERE / name.rstrip("/")).exists()
    ]

    assert named
    assert missing == []


def test_every_module_the_documentation_names_is_there() -> None:
    """Modules in backquotes, from the service or from the top."""
    named = re.findall(r"`([a-z_]+(?:/[a-z_*]+)*\.py)`", BOTH)

    missing = [name for name in named if not [*HERE.glob(name), *(HERE / "service").glob(name)]]

    assert len(named) > 20
    assert missing == []


def test_the_check_runs_the_command_of_the_readme() -> None:
    """Exactly it, so that both stay true."""
    command = next(line.strip() for line in README.splitlines() if line.endswith("-m tests"))

    script = (HERE / ".ci" / "run").read_text()

    assert script.rstrip().endswith(command)
    assert shlex.split(command)


def test_the_tried_releases_are_those_the_project_allows() -> None:
    """Each dependency in its range, and no address of where it came from."""
    lock = (HERE / ".requirements" / "tried.lock").read_text()
    tried = re.findall(r"^([a-z0-9-]+)==([^\s;]+)", lock, re.MULTILINE)
    project = tomllib.loads((HERE / "pyproject.toml").read_text())["project"]
    asked = [*project["dependencies"], *project["optional-dependencies"]["test"]]

    for requirement in map(Requirement, asked):
        releases = [
            release for name, release in tried if name == canonicalize_name(requirement.name)
        ]
        assert releases, f"{requirement.name} is not in the lock file"
        assert all(map(requirement.specifier.contains, releases)), (str(requirement), releases)
    assert "://" not in lock


def test_every_example_of_a_docstring_gives_what_stands_there() -> None:
    """All of the service; what fails is printed."""
    with_examples = [
        ".".join(path.relative_to(HERE).with_suffix("").parts)
        for path in sorted((HERE / "service").rglob("*.py"))
        if ">>> " in path.read_text()
    ]
    tried = {name: doctest.testmod(import_module(name)) for name in with_examples}

    assert [name for name, (failed, _tried) in tried.items() if failed] == []
    assert all(examples for _failed, examples in tried.values())
    assert len(tried) > 50
