"""Logs nobody meant to send: damaged, packed to nothing, wide, far off; refused in words."""

import gzip
import zipfile
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import polars as pl
import pytest

from service.condition.arithmetic import found_sweeps
from service.condition.files import began_at, read_sweep
from service.platform.arithmetic.errors import Inconsistent
from service.platform.errors import Refused
from service.platform.files.tables_in import extent_of
from service.runs.arithmetic.log_columns import CellColumn, Mapping, TimeColumn, TimeKind
from service.runs.arithmetic.log_times import LogTimes, run_times
from service.runs.files import logs_format
from service.runs.files.logs import RunLog, guess_log, look_at
from service.runs.files.logs_format import distinct
from service.runs.files.run_reading import read_log

HEAD = "Time (s);I (A);U1 (V);U2 (V)\n"
ROWS = [f"{at * 60};70;0.65;0.64" for at in range(40)]
SHEET = '<worksheet xmlns="http://schemas.openxmlformats.org/spreadsheetml/2006/main">'
RELATIONS = "http://schemas.openxmlformats.org/package/2006/relationships"
OFFICE = "http://schemas.openxmlformats.org/officeDocument/2006/relationships"


def a_file(tmp_path: Path, content: str | bytes, name: str = "log") -> Path:
    path = tmp_path / name
    path.write_bytes(content.encode() if isinstance(content, str) else content)
    return path


def a_workbook(tmp_path: Path, rows: str) -> Path:
    """An XLSX file with one sheet, whose rows are given as they stand in it."""
    path = tmp_path / "log.xlsx"
    parts = {
        "_rels/.rels": f'<Relationships xmlns="{RELATIONS}"><Relationship Id="r1" '
        f'Type="{OFFICE}/officeDocument" Target="xl/workbook.xml"/></Relationships>',
        "xl/workbook.xml": '<workbook xmlns="http://schemas.openxmlformats.org/spreadsheetml/2006/'
        f'main" xmlns:r="{OFFICE}"><sheets><sheet name="S" sheetId="1" r:id="r1"/></sheets>'
        "</workbook>",
        "xl/_rels/workbook.xml.rels": f'<Relationships xmlns="{RELATIONS}"><Relationship Id="r1" '
        f'Type="{OFFICE}/worksheet" Target="worksheets/sheet1.xml"/></Relationships>',
        "xl/worksheets/sheet1.xml": f"{SHEET}<sheetData>{rows}</sheetData></worksheet>",
    }
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, text in parts.items():
            archive.writestr(name, f'<?xml version="1.0"?>{text}')
    return path


@pytest.mark.parametrize(
    ("rows", "reaches"),
    [
        ('<row r="1"><c r="A1"><v>1</v></c><c r="XFD1048576"><v>2</v></c></row>', (1048576, 16384)),
        ("<row r='1'><c r='a1'/></row><row r = '900000'><c r = 'zz900000'/></row>", (900000, 702)),
        (f'<row>{"<c><v>1</v></c>" * 50}</row><row r="800000"><c><v>2</v></c></row>', (800000, 50)),
        (f'<row r="7"><c {"x" * 300}="1" r="AAAA70000"/></row>', (70000, 18279)),
    ],
)
def test_a_sheet_that_reaches_far_is_refused_before_it_is_laid_out(
    tmp_path: Path, rows: str, reaches: tuple[int, int]
) -> None:
    path = a_workbook(tmp_path, rows)

    extent = extent_of(path, 2**30)

    assert (extent.rows, extent.columns) == reaches
    with pytest.raises(Refused, match=f"reaches to row {reaches[0]}, column {reaches[1]}"):
        look_at(path)


def test_a_small_sheet_written_by_hand_is_read(tmp_path: Path) -> None:
    rows = '<row r="1"><c r="B1" t="inlineStr"><is><t>U1 (V)</t></is></c></row>' + "".join(
        f'<row r="{at}"><c r="B{at}"><v>0.6</v></c></row>' for at in range(2, 30)
    )

    assert look_at(a_workbook(tmp_path, rows)).headings == ("U1 (V)",)


def test_a_sheet_of_another_kind_is_not_taken_for_xlsx(tmp_path: Path) -> None:
    path = tmp_path / "log"
    with zipfile.ZipFile(path, "w") as archive:
        archive.writestr("mimetype", "application/vnd.oasis.opendocument.spreadsheet")
        archive.writestr("content.xml", "<table/>")

    with pytest.raises(Refused, match="cannot be read as XLSX"):
        look_at(path)


def test_damaged_parquet_is_refused_and_nothing_else_is_raised(tmp_path: Path) -> None:
    path = tmp_path / "log"
    random = np.random.default_rng(14)
    pl.DataFrame({"Time (s)": np.arange(200.0), "U1 (V)": random.random(200)}).write_parquet(path)
    whole = path.read_bytes()
    refused = 0
    for _ in range(300):
        bytes_now = bytearray(whole)
        bytes_now[random.integers(len(whole) - 500, len(whole) - 8)] = random.integers(256)
        path.write_bytes(bytes_now)
        try:
            for _batch in RunLog(path, guess_log(look_at(path)).mapping).batches():
                pass
        except Refused:
            refused += 1
    assert refused > 30


def test_a_panic_of_the_reader_is_a_refusal(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    class PanicException(BaseException):
        pass

    def panics(_path: Path) -> pl.LazyFrame:
        raise PanicException

    monkeypatch.setattr(pl, "scan_parquet", panics)
    with pytest.raises(Refused, match="damaged"):
        look_at(a_file(tmp_path, b"PAR1"))


def test_parquet_that_unpacks_to_far_more_than_its_size_is_refused(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(logs_format, "UNPACKED_FREELY", 2**20)
    path = tmp_path / "log"
    pl.DataFrame({"Time (s)": np.zeros(10**6), "U1 (V)": np.zeros(10**6)}).write_parquet(path)

    with pytest.raises(Refused, match="more than 200 times its size"):
        list(RunLog(path, guess_log(look_at(path)).mapping).batches())


def test_a_packed_log_that_unpacks_to_far_more_than_its_size_is_refused(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(logs_format, "UNPACKED_FREELY", 2**20)
    path = a_file(tmp_path, gzip.compress((HEAD + "0;0;0;0\n" * 10**6).encode(), 9))

    with pytest.raises(Refused, match="more than 200 times its size"):
        list(RunLog(path, guess_log(look_at(path)).mapping, chunk_bytes=2**18).batches())


def test_parquet_has_as_many_columns_as_a_log_may(tmp_path: Path) -> None:
    path = tmp_path / "log"
    pl.DataFrame({f"U{at}": [0.6] for at in range(3001)}).write_parquet(path)

    with pytest.raises(Refused, match="more than 3000 columns"):
        look_at(path)


def test_thousands_of_like_headings_are_told_apart_at_once() -> None:
    names = distinct(["U"] * 30_000)

    assert len(set(names)) == 30_000
    assert names[-1] == "U (30000)"
    assert distinct(["U", "U (2)", "U"]) == ("U", "U (2)", "U (3)")


@pytest.mark.parametrize("over", ["9.9E37", "1e308", "-1e308", "inf", "-inf"])
def test_a_channel_over_its_range_holds_no_number(tmp_path: Path, over: str) -> None:
    rows = [*ROWS[:20], *(row.replace("0.64", over) for row in ROWS[20:])]
    path = a_file(tmp_path, HEAD + "\n".join([*rows, ""]))

    found, _ = read_log(path, guess_log(look_at(path)).mapping, "UTC", 100.0)

    assert all(abs(volt) < 1 for one in found.windows for volt in one.means_v if not np.isnan(volt))
    (batch,) = RunLog(path, guess_log(look_at(path)).mapping).batches()
    assert np.isnan(batch.cell_v[2]).sum() == 20


@pytest.mark.parametrize("day", ["1e308", "-1e308", "1e18"])
def test_a_day_number_off_every_calendar_is_no_time(tmp_path: Path, day: str) -> None:
    path = a_file(tmp_path, HEAD + "\n".join([*ROWS, f"{day};70;0.65;0.64"]))
    clock = TimeColumn(TimeKind.CLOCK, ("Time (s)",), pattern="day number")
    log = RunLog(path, replace(guess_log(look_at(path)).mapping, time=clock))

    assert sum(len(one.cell_v[1]) for one in log.batches()) == len(ROWS)
    assert log.notes.rows_without_time == 1


@pytest.mark.parametrize("zone", ["localtime", "../../etc/passwd", "Berlin\x00"])
def test_a_zone_not_everybody_knows_is_refused(tmp_path: Path, zone: str) -> None:
    path = a_file(tmp_path, HEAD.replace("Time (s)", "Time") + "2026-03-07 14:20;70;0.65;0.64\n")
    mapping = guess_log(look_at(path)).mapping

    with pytest.raises(Refused, match="no such zone"):
        list(RunLog(path, mapping, zone).batches())


@pytest.mark.parametrize(
    ("began_at", "last_s"),
    [
        (datetime(2026, 2, 4, tzinfo=UTC), 1e14),
        (datetime(2026, 2, 4, tzinfo=UTC), 1e300),
        (datetime(9999, 12, 31, 23, tzinfo=UTC), 7200.0),
        (datetime(1, 1, 1, tzinfo=UTC), 7200.0),
    ],
)
def test_elapsed_times_that_lead_off_the_calendar_are_refused(
    began_at: datetime, last_s: float
) -> None:
    times = LogTimes(2, 0.0, last_s, 1.0, 0.0, 0, (), (), 0)

    with pytest.raises(Inconsistent, match="1970 to 2099"):
        run_times(times, TimeKind.ELAPSED, began_at)


def test_a_sweep_with_more_voltages_than_a_page_reads_is_refused(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(found_sweeps, "MOST_VOLTAGES", 50)
    path = a_file(tmp_path, HEAD + "\n".join([*ROWS, ""]))

    with pytest.raises(Refused, match="bring this in as a log"):
        read_sweep(path, guess_log(look_at(path)).mapping, "UTC", 100.0)


@pytest.mark.parametrize("second", [1e18, -1e12, 1e300])
def test_a_sweep_whose_clock_was_never_set_does_not_say_when_it_was(second: float) -> None:
    found = found_sweeps.FoundSweep(1, 0, second, second, ("U1",), None, (), None, ())
    clock = TimeColumn(TimeKind.CLOCK, ("Time",), pattern="s since 1970")

    assert began_at(found, Mapping(clock, (CellColumn("U1", 1),))) is None
