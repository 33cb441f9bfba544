"""Bringing lists in from a terminal: what is shown, asked, written and refused."""

import shutil
import subprocess
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import func, select
from sqlalchemy.orm import Session

from service.people.tables import Role
from service.platform.database import make_engine
from service.platform.tables import AuditEntry
from service.records.tables import RebuildRecord, RecordState
from service.stacks.tables import Layer, Stack
from service.store.tables import Lot, Part
from tests import builders
from tests.operation.running import Run, commands, found

PARTS = """Bauteil;Seriennummer;Charge;Betriebsstunden
mea;M-2031;CCM-7;12,5
mea;M-2032;CCM-7;0
air plate;A-88;G-12;
"""
PILE = [
    ("insulator plate", "I-1", ""),
    ("collector flush", "C-1", ""),
    ("coolant gasket", "S-1", ""),
    ("fuel plate", "F-1", "free end"),
    ("gas gasket", "S-2", ""),
    ("mea", "M-1", ""),
    ("gas gasket", "S-2", ""),
    ("air plate", "A-1", "fixed end"),
    ("coolant gasket", "S-1", ""),
    ("collector channelled", "C-2", ""),
    ("insulator plate", "I-2", ""),
]


@pytest.fixture
def folder(sqlite_template: Path, tmp_path: Path) -> Path:
    """A database with part types, a design, a builder."""
    folder = tmp_path / "data"
    folder.mkdir()
    file = shutil.copyfile(sqlite_template, folder / "layerbook.sqlite")
    engine = make_engine(f"sqlite:///{file}")
    with Session(engine) as session:
        builders.the_part_types(session)
        builders.a_design(session)
        builders.a_person(session, Role.BUILDER, login="ada", name="Ada")
        session.commit()
    engine.dispose()
    return folder


@pytest.fixture
def run(folder: Path) -> Run:
    """Run the command line on it."""
    return commands(folder)


def parts_list(folder: Path, text: str = PARTS) -> str:
    """A list as a spreadsheet of a German laboratory writes it."""
    file = folder.parent / "parts.csv"
    file.write_bytes(b"\xef\xbb\xbf" + text.replace("\n", "\r\n").encode())
    return str(file)


def pile_list(folder: Path) -> str:
    """The pile of one cell."""
    lines = ["position,part type,serial number,lot,facing"]
    for position, (part_type, mark, facing) in enumerate(PILE, 1):
        serial, lot = ("", mark) if mark.startswith("S-") else (mark, "")
        lines.append(f"{position},{part_type},{serial},{lot},{facing}")
    file = folder.parent / "tarn-9.csv"
    file.write_text("\n".join(lines))
    return str(file)


def take_over(run: Run, folder: Path, *more: str) -> subprocess.CompletedProcess[str]:
    """Import the stack."""
    return run(
        *("import", "stack", pile_list(folder), "--by", "ada", "--serial", "TARN-9"),
        *("--design", "tarn 1 a", "--build", "4", "--closed-at", "2026-02-03 14:20", *more),
    )


def count(folder: Path, table: Any) -> int:
    """Rows of a table."""
    return int(found(folder, select(func.count()).select_from(table))[0])


def test_a_list_of_parts_is_shown_asked_for_and_written(run: Run, folder: Path) -> None:
    """Semicolons, byte order mark, German headings, decimal comma."""
    no = run("import", "parts", parts_list(folder), typed="n\n")
    before = count(folder, Part)
    yes = run("import", "parts", parts_list(folder), typed="y\n")

    assert (no.returncode, before) == (1, 0)
    assert "Write 3 parts and 2 lots?" in no.stderr
    assert "serial: column “Seriennummer”" in no.stderr
    assert yes.returncode == 0, yes.stderr
    assert "3 parts and 2 lots were added from parts.csv." in yes.stdout
    hours = found(folder, select(Part.hours_before).where(Part.serial == "M-2031"))
    assert hours == [12.5]
    assert sorted(found(folder, select(Lot.label))) == ["CCM-7", "G-12"]


def test_rows_in_error_are_named_and_nothing_is_written(run: Run, folder: Path) -> None:
    """Each with its line and reason; --yes does not overrule them."""
    text = PARTS + "mea;M-2031;CCM-7;0\nmembrane;M-9;;\n"

    ended = run("import", "parts", parts_list(folder, text), "--yes")

    assert ended.returncode == 1
    assert "line 5:" in ended.stderr
    assert "line 6:" in ended.stderr
    assert "Nothing was written." in ended.stderr
    assert count(folder, Part) == 0


def test_columns_and_the_part_type_can_be_named(run: Run, folder: Path) -> None:
    """For a list whose headings tell nothing."""
    file = parts_list(folder, "what it says;x\nM-1;1\nM-2;2\n")

    ended = run(
        *("import", "parts", file, "--column", "serial=what it says", "--part-type", "TEL-001"),
        "--yes",
    )

    assert ended.returncode == 0, ended.stderr
    assert sorted(found(folder, select(Part.serial))) == ["M-1", "M-2"]


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (("--column", "serail=Seriennummer"), "no such field"),
        (("--column", "serial=S/N"), "“Seriennummer”"),
        (("--part-type", "TEL-999"), "no such part type"),
        (("--decimal", ";"), "no decimal mark"),
    ],
)
def test_an_option_that_cannot_be_taken_is_named(
    run: Run, folder: Path, words: tuple[str, ...], says: str
) -> None:
    """With what would be right."""
    ended = run("import", "parts", parts_list(folder), *words, "--yes")

    assert ended.returncode == 1
    assert says in ended.stderr
    assert words[1] in ended.stderr
    assert "Traceback" not in ended.stderr


def test_a_file_that_is_not_there_is_named(run: Run) -> None:
    """Before anything else."""
    ended = run("import", "parts", "/nowhere/list.csv")

    assert ended.returncode == 1
    assert "“/nowhere/list.csv” cannot be read" in ended.stderr


def test_a_stack_is_taken_over_and_waits_for_approval(run: Run, folder: Path) -> None:
    """In the name of a person: nobody approves their own, so somebody must stand for it."""
    ended = take_over(run, folder, "--make-missing", "--hours-at-closing", "812.5", "--yes")

    assert ended.returncode == 0, ended.stderr
    assert "Record 1 waits for approval." in ended.stdout
    assert found(folder, select(Stack.serial)) == ["TARN-9"]
    assert count(folder, Layer) == 11
    assert found(folder, select(RebuildRecord.state)) == [RecordState.HANDED_IN]
    (reason,) = found(folder, select(RebuildRecord.reason))
    assert reason.endswith(" Written by command, for ada.")
    writers = found(folder, select(AuditEntry.person_name).where(AuditEntry.record_id == 1))
    assert {name.partition(", for ")[0] for name in writers} == {"command line"}
    assert all(name.endswith("(ada)") for name in writers)
    verified = run("verify")
    assert verified.stdout == "1 records and 1 attachments hold.\n"


def test_a_stack_with_parts_nobody_knows_is_refused_row_by_row(run: Run, folder: Path) -> None:
    """Unless asked to add them."""
    ended = take_over(run, folder, "--yes")

    assert ended.returncode == 1
    assert "line 2:" in ended.stderr
    assert count(folder, Stack) == 0


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (("--by", "nobody"), "There is no person “nobody”"),
        (("--design", "Heron"), "There are: Tarn 1 A"),
        (("--closed-at", "soon"), "soon"),
    ],
)
def test_what_is_said_of_the_stack_is_looked_at(
    run: Run, folder: Path, words: tuple[str, str], says: str
) -> None:
    """Named, with what there is."""
    ended = take_over(run, folder, "--make-missing", "--yes", *words)

    assert ended.returncode == 1
    assert says in ended.stderr
    assert "Traceback" not in ended.stderr


def test_columns_that_are_not_read_are_named(run: Run, tmp_path: Path) -> None:
    """“Dicke” is no field's heading: nobody loses a column without a word."""
    file = tmp_path / "parts.csv"
    file.write_text("Bauteil;Seriennummer;Dicke\nmea;M-2031;0,4\n")

    said = run("import", "parts", str(file), "--yes")

    assert "not read: column “Dicke”" in said.stderr + said.stdout
