"""Taking a bench's log in from a terminal: what is shown, asked, written and refused."""

import json
import shutil
from pathlib import Path

import pytest
from sqlalchemy import func, select
from sqlalchemy.orm import Session

from service.people.tables import Role
from service.platform.database import make_engine
from service.runs.tables import Run as RunRow
from service.runs.tables import RunReading, Snapshot
from tests import builders
from tests.operation.running import Run, commands, found
from tests.runs.bench_logs import a_log


@pytest.fixture
def folder(sqlite_template: Path, tmp_path: Path) -> Path:
    """A database with a stack of four cells that runs, and a builder."""
    folder = tmp_path / "data"
    folder.mkdir()
    file = shutil.copyfile(sqlite_template, folder / "layerbook.sqlite")
    engine = make_engine(f"sqlite:///{file}")
    with Session(engine) as session:
        stack = builders.a_stack(session, serial="TARN-7")
        builders.a_release(session, builders.a_build(session, stack, cells=4))
        builders.a_person(session, Role.BUILDER, login="ada", name="Ada")
        session.commit()
    engine.dispose()
    return folder


@pytest.fixture
def run(folder: Path) -> Run:
    """Run the command line on it."""
    return commands(folder)


@pytest.fixture
def log(tmp_path: Path) -> Path:
    """Four hours of a bench."""
    file = tmp_path / "bench 3.csv"
    file.write_bytes(a_log().encode("latin-1"))
    return file


OPTIONS = ("--stack", "TARN-7", "--by", "ada")
BEGAN = ("--began-at", "2026-02-04 08:00")


def test_a_log_is_shown_then_taken_in(run: Run, log: Path, folder: Path) -> None:
    done = run("import", "run", str(log), *OPTIONS, *BEGAN, "--note", "endurance", "--yes")

    assert done.returncode == 0, done.stderr
    assert done.stdout == "Run 1 of TARN-7 was taken in from bench 3.csv.\n"
    assert "decimal comma, headings in line 3" in done.stderr
    assert "4 cell voltages by channel: 1: U1 (V)" in done.stderr
    assert "3.25 h at load" in done.stderr
    assert found(folder, select(RunReading.load_hours)) == [pytest.approx(3.25)]
    assert found(folder, select(func.count(Snapshot.id))) == [5]
    assert found(folder, select(RunRow.note)) == ["endurance"]
    again = run("import", "run", str(log), *OPTIONS, *BEGAN, "--yes")
    assert again.returncode == 1
    assert "this very file was taken in before" in again.stderr
    assert list((folder / "run-uploads").iterdir()) == []
    verified = run("verify")
    assert verified.stdout == "1 records, 0 attachments and 1 files of runs hold.\n"


def test_a_mapping_as_json_says_the_columns(run: Run, log: Path, tmp_path: Path) -> None:
    shown = run("import", "run", str(log), *OPTIONS, "--show-mapping")
    columns = json.loads(shown.stdout)
    columns["cells"] = columns["cells"][:3]
    file = tmp_path / "columns.json"
    file.write_text(json.dumps(columns), "utf-8")

    done = run("import", "run", str(log), *OPTIONS, *BEGAN, "--mapping", str(file), "--yes")

    assert done.returncode == 1
    assert "they read 3 cells, but build 1 has 4 cells" in done.stderr


@pytest.mark.parametrize(
    ("options", "said"),
    [
        ((*OPTIONS, "--yes"), "say when its first row was"),
        ((*OPTIONS, *BEGAN, "--mapping", "bench 9", "--yes"), "There is no column mapping"),
        (("--stack", "NONE", "--by", "ada", *BEGAN, "--yes"), "There is no stack"),
        (("--stack", "TARN-7", "--by", "nobody", *BEGAN, "--yes"), "There is no person"),
        ((*OPTIONS, "--began-at", "soon", "--yes"), "a date such as"),
    ],
)
def test_what_cannot_be_is_said(run: Run, log: Path, options: tuple[str, ...], said: str) -> None:
    done = run("import", "run", str(log), *options)

    assert done.returncode == 1
    assert said in done.stderr


def test_a_file_that_is_not_there_is_said(run: Run, tmp_path: Path) -> None:
    done = run("import", "run", str(tmp_path / "none.csv"), *OPTIONS, *BEGAN, "--yes")

    assert done.returncode == 1
    assert "it is not there" in done.stderr
