"""Bringing a sweep in from a terminal: what is shown, asked, written and refused."""

import shutil
from pathlib import Path

import pytest
from sqlalchemy import select
from sqlalchemy.orm import Session

from service.people.tables import Role
from service.platform.database import make_engine
from service.runs.tables import PolarisationCurve, RunKind
from service.runs.tables import Run as RunRow
from tests import builders
from tests.condition.test_sweeps_pages import a_file
from tests.operation.running import Run, commands, found

OPTIONS = ("--stack", "TARN-7", "--by", "ada")


@pytest.fixture
def folder(sqlite_template: Path, tmp_path: Path) -> Path:
    """A database with a stack of four cells, and a builder."""
    folder = tmp_path / "data"
    folder.mkdir()
    file = shutil.copyfile(sqlite_template, folder / "layerbook.sqlite")
    engine = make_engine(f"sqlite:///{file}")
    with Session(engine) as session:
        builders.a_stack(session, serial="TARN-7", cells=4)
        builders.a_person(session, Role.BUILDER, login="ada", name="Ada")
        session.commit()
    engine.dispose()
    return folder


@pytest.fixture
def run(folder: Path) -> Run:
    return commands(folder)


@pytest.fixture
def sweep(tmp_path: Path) -> Path:
    file = tmp_path / "sweep.csv"
    file.write_bytes(a_file())
    return file


def test_a_sweep_is_shown_and_kept(run: Run, folder: Path, sweep: Path) -> None:
    done = run(
        *("import", "sweep", str(sweep), *OPTIONS, "--taken-at", "2026-02-12 10:00"),
        *("--occasion", "commissioning", "--temperature", "65", "--yes"),
    )

    assert done.returncode == 0, done.stderr
    assert "falling: 0" in done.stderr
    assert "4 cell voltages: U1 (V)" in done.stderr
    assert "Run 1 of TARN-7 was taken in from sweep.csv: curve 1." in done.stdout
    assert found(folder, select(RunRow.kind)) == [RunKind.SWEEP]
    assert found(folder, select(PolarisationCurve.temperature_c)) == [65.0]
    again = run(
        *("import", "sweep", str(sweep), *OPTIONS, "--taken-at", "2026-02-13 10:00", "--yes"),
    )
    assert again.returncode == 1
    assert "the same content" in again.stderr


def test_nothing_is_written_without_a_time_or_a_yes(run: Run, folder: Path, sweep: Path) -> None:
    timeless = run("import", "sweep", str(sweep), *OPTIONS, "--yes")
    no = run(
        *("import", "sweep", str(sweep), *OPTIONS, "--taken-at", "2026-02-12 10:00"), typed="n\n"
    )
    missing = run("import", "sweep", str(sweep.with_name("none.csv")), *OPTIONS)

    assert "Give --taken-at" in timeless.stderr
    assert "Nothing was written" in no.stderr
    assert "it is not there" in missing.stderr
    assert {timeless.returncode, no.returncode, missing.returncode} == {1}
    assert found(folder, select(RunRow.id)) == []
