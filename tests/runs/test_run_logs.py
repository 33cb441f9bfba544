"""Logs of test benches: whatever the signs, separators and times, the same rows come out."""

import gzip
import zipfile
from contextlib import suppress
from datetime import UTC, datetime
from io import BytesIO
from pathlib import Path

import numpy as np
import openpyxl
import polars as pl
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from service.platform.errors import Refused
from service.runs.arithmetic.log_columns import (
    CellColumn,
    LongForm,
    Mapping,
    Signal,
    SignalColumn,
    TimeColumn,
    TimeKind,
)
from service.runs.files.logs import LogBatch, RunLog, doubts_of, guess_log, look_at

PLAIN = "Time (s),I (A),U1 (V),U2 (V)\n" + "".join(
    f"{at},70.{at % 10},0.65{at % 10},0.64{at % 10}\n" for at in range(50)
)
GERMAN = PLAIN.replace(",", ";").replace(".", ",")
BERLIN = "Europe/Berlin"
LEFT_OUT = "Left out; the file keeps what it says."


def kept(tmp_path: Path, content: bytes | str, name: str = "log.csv") -> Path:
    path = tmp_path / name
    path.write_bytes(content.encode() if isinstance(content, str) else content)
    return path


def guessed(path: Path, zone: str = BERLIN, **more: int) -> RunLog:
    return RunLog(path, guess_log(look_at(path)).mapping, zone, **more)


def whole(log: RunLog) -> LogBatch:
    batches = list(log.batches())
    times = [one.time_s for one in batches if one.time_s is not None]
    return LogBatch(
        1,
        np.concatenate(times) if times else None,
        {at: np.concatenate([one.cell_v[at] for one in batches]) for at in batches[0].cell_v},
        {at: np.concatenate([one.signals[at] for one in batches]) for at in batches[0].signals},
    )


def times_of(path: Path, zone: str = BERLIN) -> list[str]:
    found = whole(guessed(path, zone)).time_s
    assert found is not None
    return [datetime.fromtimestamp(at, UTC).isoformat() for at in found]


@pytest.mark.parametrize(
    "content",
    [
        PLAIN.encode(),
        b"\xef\xbb\xbf" + PLAIN.encode(),
        PLAIN.encode("utf-16"),
        PLAIN.encode("utf-16-be"),
        GERMAN.encode(),
        GERMAN.replace(";", "\t").encode("utf-16"),
        PLAIN.replace("\n", "\r\n").encode(),
        PLAIN.replace("\n", "\r").encode(),
        gzip.compress(GERMAN.encode()),
        ("Stack: T-1\nDate: today\n\n" + PLAIN).encode(),
        ("# bench 3\n# started by hand\n" + PLAIN.replace("20,", "# a remark\n20,", 1)).encode(),
        PLAIN.replace("\n20,", "\n\n\n20,").encode(),
        PLAIN.replace("Time (s),I (A),U1 (V),U2 (V)\n", "Time,I,U1,U2\ns,A,V,V\n").encode(),
        PLAIN.replace("Time (s),I (A),U1 (V),U2 (V)\n", "Time,I,U1,U2\n[s],[A],[V],[V]\n").encode(),
        PLAIN.replace("Time", "# Time", 1).encode(),
        PLAIN.replace(",0.", ",\u22120.").replace("\u2212", " ").encode(),
        "\n".join(
            ",".join(f'"{cell.replace(".", ",")}"' for cell in line.split(","))
            for line in PLAIN.splitlines()
        ).encode(),
    ],
)
def test_the_same_rows_come_out_however_they_are_written(tmp_path: Path, content: bytes) -> None:
    found = whole(guessed(kept(tmp_path, content)))

    assert found.time_s is not None
    assert found.time_s.tolist() == list(range(50))
    assert found.signals[Signal.CURRENT][:3].tolist() == [70.0, 70.1, 70.2]
    assert found.cell_v[1][:3].tolist() == [0.65, 0.651, 0.652]
    assert found.cell_v[2][-1] == 0.649


def test_a_unit_sign_of_an_old_code_page_is_read(tmp_path: Path) -> None:
    text = "Time (h),J (A/cm²),T (°C),U1 (V)\n0,0.70,61.5,0.65\n1,0.71,61.6,0.65\n"

    log = guessed(kept(tmp_path, text.encode("latin-1")))

    found = whole(log)
    assert log.written.headings[1:3] == ("J (A/cm²)", "T (°C)")
    assert found.signals[Signal.CURRENT_DENSITY].tolist() == [0.70, 0.71]
    assert found.time_s is not None
    assert found.time_s.tolist() == [0.0, 3600.0]
    current = found.current_a(100.0)
    assert current is not None
    assert current.tolist() == [70.0, 71.0]


def test_units_are_turned_into_the_laboratorys(tmp_path: Path) -> None:
    text = "t (min),I (mA),U1 (mV),T stack (K),Pin H2 (mbara)\n1,70000,650,333.15,1300\n"

    found = whole(guessed(kept(tmp_path, text)))

    assert found.time_s is not None
    assert found.time_s[0] == 60.0
    assert found.cell_v[1][0] == pytest.approx(0.65)
    assert found.signals[Signal.CURRENT][0] == pytest.approx(70.0)
    assert found.signals[Signal.TEMPERATURE][0] == pytest.approx(60.0)
    assert found.signals[Signal.HYDROGEN_PRESSURE][0] == pytest.approx(130.0)


def test_parquet_and_xlsx_give_the_same_as_csv(tmp_path: Path) -> None:
    csv = kept(tmp_path, PLAIN)
    frame = pl.read_csv(csv)
    frame.write_parquet(tmp_path / "log.parquet")
    book = openpyxl.Workbook()
    sheet = book.active
    assert sheet is not None
    sheet.append(["Bench 3"])
    for row in (frame.columns, *frame.rows()):
        sheet.append(list(row))
    book.save(tmp_path / "log.xlsx")

    expected = whole(guessed(csv))
    for name in ("log.parquet", "log.xlsx"):
        found = whole(guessed(tmp_path / name))
        assert found.time_s is not None
        assert found.time_s.tolist() == list(range(50)), name
        assert found.cell_v[1].tolist() == expected.cell_v[1].tolist()


def test_dates_of_a_sheet_and_of_parquet_are_the_labs_time(tmp_path: Path) -> None:
    moments = [datetime(2026, 3, 7, 14, 20, at) for at in range(3)]  # noqa: DTZ001 - naive is meant
    frame = pl.DataFrame({"time": moments, "U1 (V)": [0.65] * 3, "I (A)": [70.0] * 3})
    frame.write_parquet(tmp_path / "log.parquet")
    book = openpyxl.Workbook()
    sheet = book.active
    assert sheet is not None
    for row in (frame.columns, *frame.rows()):
        sheet.append(list(row))
    book.save(tmp_path / "log.xlsx")

    for name in ("log.parquet", "log.xlsx"):
        assert times_of(tmp_path / name)[:2] == [
            "2026-03-07T13:20:00+00:00",
            "2026-03-07T13:20:01+00:00",
        ]


@pytest.mark.parametrize(
    "written",
    [
        "2026-03-07 14:20:05",
        "2026-03-07T14:20:05.000",
        "2026/03/07 14:20:05",
        "07.03.2026 14:20:05",
        "07.03.26 14:20:05",
        "7.3.2026 14:20:05,0",
        "2026-03-07T13:20:05Z",
        "2026-03-07T15:20:05+02:00",
        "2026-03-07 02:20:05 pm",
        "1772889605",
        "1772889605000",
    ],
)
def test_a_moment_is_the_same_however_it_is_written(tmp_path: Path, written: str) -> None:
    path = kept(tmp_path, f"timestamp;U1 (V)\n{written};0.65\n{written};0.64\n")

    assert times_of(path) == ["2026-03-07T13:20:05+00:00"] * 2


def test_american_dates_are_read_where_a_day_gives_them_away(tmp_path: Path) -> None:
    path = kept(tmp_path, "time,U1 (V)\n03/27/2026 02:20:05 PM,0.65\n03/27/2026 02:20:06 PM,0.6\n")

    assert times_of(path)[0] == "2026-03-27T13:20:05+00:00"


def test_the_hour_a_change_from_summer_time_repeats_is_read_twice(tmp_path: Path) -> None:
    clock = ["01:59:00", "02:00:00", "02:30:00", "02:59:00", "02:00:00", "02:30:00", "03:00:00"]
    rows = "".join(f"2026-10-25 {at},0.65,70\n" for at in clock)
    path = kept(tmp_path, "time,U1 (V),I (A)\n" + rows)

    found = whole(guessed(path)).time_s

    assert found is not None
    assert np.diff(found).tolist() == [60, 1800, 1740, 60, 1800, 1800]
    by_one_row = whole(guessed(path, chunk_bytes=32)).time_s
    assert by_one_row is not None
    assert by_one_row.tolist() == found.tolist()


def test_a_time_the_clock_skipped_is_left_out_and_said(tmp_path: Path) -> None:
    rows = "".join(f"2026-03-29 {at},0.65,70\n" for at in ("01:59:00", "02:30:00", "03:00:00"))
    log = guessed(kept(tmp_path, "time,U1 (V),I (A)\n" + rows))

    assert whole(log).rows == 2
    assert "1 rows without a readable time" in log.notes.in_words[0]


def test_elapsed_hours_minutes_and_seconds_may_pass_a_day(tmp_path: Path) -> None:
    path = kept(tmp_path, "elapsed;U1 (V)\n23:59:59;0.65\n24:00:00;0.65\n100:00:00,5;0.65\n")

    found = whole(guessed(path)).time_s

    assert found is not None
    assert found.tolist() == [86399.0, 86400.0, 360000.5]


def test_one_value_a_row_becomes_one_row_a_time(tmp_path: Path) -> None:
    lines = ["time;channel;value"]
    for at in range(40):
        for name, value in (("I (A)", 70 + at), ("U1 (V)", 0.65), ("U2 (V)", 0.64)):
            lines.append(f"2026-03-07 10:00:{at:02d};{name};{value}")
    path = kept(tmp_path, "\n".join(lines))

    for chunk_bytes in (16 * 1024 * 1024, 200):
        found = whole(guessed(path, chunk_bytes=chunk_bytes))
        assert found.rows == 40
        assert found.signals[Signal.CURRENT].tolist() == [70 + at for at in range(40)]
        assert found.cell_v[2].tolist() == [0.64] * 40


def test_one_cell_a_row_keeps_the_columns_beside(tmp_path: Path) -> None:
    rows = [f"{at},{cell},0.6{cell},{70 + at}" for at in range(5) for cell in (1, 2, 3)]
    path = kept(tmp_path, "time (s),cell,voltage (V),current (A)\n" + "\n".join(rows) + "\n")

    found = whole(guessed(path))

    assert found.signals[Signal.CURRENT].tolist() == [70, 71, 72, 73, 74]
    assert found.cell_v[3].tolist() == [0.63] * 5


def test_a_channel_logged_more_rarely_holds_its_value(tmp_path: Path) -> None:
    mapping = Mapping(
        TimeColumn(TimeKind.ELAPSED, ("t",), "s"),
        (CellColumn("U1", 1),),
        (SignalColumn(Signal.CURRENT, "I", "A"),),
        LongForm("name", "value"),
    )
    path = kept(tmp_path, "t,name,value\n0,I,70\n0,U1,0.65\n1,U1,0.64\n2,U1,0.63\n2,X,1\n")

    log = RunLog(path, mapping)

    assert whole(log).signals[Signal.CURRENT].tolist() == [70.0, 70.0, 70.0]
    assert log.notes.channels_not_mapped == ("X",)


def test_cells_that_are_no_numbers_are_missing_and_counted(tmp_path: Path) -> None:
    text = PLAIN.replace("0.653", "OVER", 1).replace("0.654", "", 1).replace("0.655", "inf", 1)
    log = guessed(kept(tmp_path, text))

    found = whole(log)

    assert np.isnan(found.cell_v[1]).sum() == 3
    assert log.notes.unreadable == {"U1 (V)": 1}
    assert log.notes.in_words == (
        "U1 (V): 1 cell holds no number, such as “OVER”.",
        f"U1 (V): 1 value lies outside −1.5 to 1.3 V, such as inf V. {LEFT_OUT}",
    )


@pytest.mark.parametrize(
    ("code", "shown"),
    [("65535", "65535 V"), ("9.9E37", "9.9e+37 V"), ("-1.51", "-1.51 V"), ("1.31", "1.31 V")],
)
def test_what_no_cell_can_have_is_left_out_counted_and_asked_about(
    tmp_path: Path, code: str, shown: str
) -> None:
    text = PLAIN.replace("0.643", code)
    path = kept(tmp_path, text)
    log = guessed(path, chunk_bytes=200)

    found = whole(log)

    assert np.isnan(found.cell_v[2]).tolist() == [at % 10 == 3 for at in range(50)]
    assert not np.isnan(found.cell_v[1]).any()
    assert np.nanmean(found.cell_v[2]) < 0.65
    assert log.notes.beyond == {"U2 (V)": 5}
    assert log.notes.in_words == (
        f"U2 (V): 5 values lie outside −1.5 to 1.3 V, such as {shown}. {LEFT_OUT}",
    )
    (doubt,) = [one for one in guess_log(look_at(path)).doubts if one.about == "U2 (V)"]
    assert doubt == doubts_of(look_at(path), log.mapping)[0]
    assert "5 of 50 values read lie outside −1.5 to 1.3 V, such as " + code in doubt.why
    assert "Is this a code of the instrument?" in doubt.why
    assert path.read_text() == text


def test_the_reversible_voltage_and_a_reversed_cell_are_voltages(tmp_path: Path) -> None:
    text = PLAIN.replace("0.643", "1.3").replace("0.644", "-1.5")
    log = guessed(kept(tmp_path, text))

    assert not np.isnan(whole(log).cell_v[2]).any()
    assert log.notes.in_words == ()


def test_codes_in_other_columns_and_units_are_left_out_too(tmp_path: Path) -> None:
    rows = "".join(f"{at},70,61.5,650\n" for at in range(8)) + "8,9.9E37,6553.5,65535\n"
    log = guessed(kept(tmp_path, "t (s),I (A),T stack (°C),U1 (mV)\n" + rows))

    found = whole(log)

    assert [np.nanmax(values) for values in found.signals.values()] == [70.0, 61.5]
    assert np.nanmax(found.cell_v[1]) == 0.65
    assert log.notes.beyond == {"I (A)": 1, "T stack (°C)": 1, "U1 (mV)": 1}
    assert "U1 (mV): 1 value lies outside −1.5 to 1.3 V, such as 65535 mV" in log.notes.in_words[0]


def test_a_column_wholly_beyond_is_asked_about_its_unit(tmp_path: Path) -> None:
    path = kept(tmp_path, PLAIN.replace(",0.6", ",6"))

    doubts = {one.about: one.why for one in guess_log(look_at(path)).doubts}

    assert "50 of 50 values read lie outside" in doubts["U1 (V)"]
    assert "Is the unit right?" in doubts["U1 (V)"]


def test_a_code_in_a_channel_of_the_long_form_is_asked_about(tmp_path: Path) -> None:
    text = "t (s),channel,value\n" + "".join(
        f"{at},{name},{value}\n"
        for at in range(4)
        for name, value in (("I", 70), ("U1", 65535 if at == 2 else 0.65))
    )
    mapping = Mapping(
        TimeColumn(TimeKind.ELAPSED, ("t (s)",)),
        (CellColumn("U1", 1),),
        (SignalColumn(Signal.CURRENT, "I", "A"),),
        LongForm("channel", "value"),
    )
    path = kept(tmp_path, text)
    log = RunLog(path, mapping)

    assert np.isnan(whole(log).cell_v[1]).tolist() == [False, False, True, False]
    assert log.notes.beyond == {"U1": 1}
    assert [one.about for one in doubts_of(look_at(path), mapping)] == ["U1"]


def test_a_row_cut_in_its_middle_is_left_out(tmp_path: Path) -> None:
    log = guessed(kept(tmp_path, PLAIN.rstrip("\n")[:-10]))

    assert whole(log).rows == 49
    assert "ends in its middle" in log.notes.in_words[0]


def test_chunks_of_any_size_give_the_same_rows(tmp_path: Path) -> None:
    path = kept(tmp_path, GERMAN.encode("utf-16"))
    told: list[tuple[int, int]] = []

    for size in (7, 64, 1000, 10**7):
        log = guessed(path, chunk_bytes=size)
        batches = list(log.batches(lambda done, total: told.append((done, total))))
        assert sum(batch.rows for batch in batches) == 50
        assert [batch.first_row for batch in batches] == sorted(b.first_row for b in batches)
        assert log.notes.rows == 50

    assert told[-1] == (path.stat().st_size, path.stat().st_size)


def test_a_log_without_time_is_a_curve(tmp_path: Path) -> None:
    path = kept(tmp_path, "U1 (V),I (A)\n0.65,70\n0.66,60\n")

    log = guessed(path)

    assert whole(log).time_s is None
    assert not log.has_clock


def test_a_column_that_is_missing_is_named_with_those_there_are(tmp_path: Path) -> None:
    mapping = guess_log(look_at(kept(tmp_path, PLAIN))).mapping
    other = kept(tmp_path, PLAIN.replace("U2 (V)", "U3 (V)"), "other.csv")

    with pytest.raises(Refused, match=r"U2 \(V\).*no such column.*U3 \(V\)"):
        RunLog(other, mapping)


def test_headings_that_come_twice_are_told_apart(tmp_path: Path) -> None:
    written = look_at(kept(tmp_path, "t (s),U (V),U (V),\n0,0.65,0.64,1\n"))

    assert written.headings == ("t (s)", "U (V)", "U (V) (2)", "column 4")


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (b"", "is empty"),
        (b"\x00\x01\x02\x03" * 400, "no table"),
        (b"hello\nworld\n", "no row of it holds"),
        (gzip.compress(PLAIN.encode())[:-40], "damaged"),
        (b"PK\x03\x04 nothing", "XLSX"),
        (b"PAR1 nothing", "Parquet"),
    ],
)
def test_what_cannot_be_read_is_refused_with_the_reason(
    tmp_path: Path, content: bytes, said: str
) -> None:
    path = kept(tmp_path, content)

    with pytest.raises(Refused, match=said):
        list(guessed(path).batches())


def test_an_archive_that_unpacks_to_far_too_much_is_refused(tmp_path: Path) -> None:
    packed = BytesIO()
    with zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED) as archive:
        for number in range(7):
            archive.writestr(f"xl/{number}.xml", b"0" * 100_000_000)

    with pytest.raises(Refused, match="more than can be read as XLSX"):
        look_at(kept(tmp_path, packed.getvalue(), "log.xlsx"))


def test_a_zone_nobody_knows_is_refused(tmp_path: Path) -> None:
    with pytest.raises(Refused, match="no such zone"):
        list(guessed(kept(tmp_path, PLAIN), "Atlantis/Port").batches())


NUMBERS = st.floats(-1e4, 1e4, allow_nan=False).map(lambda value: round(value, 4))
VOLTS = st.floats(-1.5, 1.3).map(lambda value: round(value, 4))


@given(
    rows=st.lists(st.tuples(NUMBERS, VOLTS), min_size=3, max_size=40),
    separator=st.sampled_from([";", "\t", ",", "|"]),
    decimal=st.sampled_from([".", ","]),
    encoding=st.sampled_from(["utf-8", "utf-8-sig", "latin-1", "utf-16", "utf-16-le"]),
    line_end=st.sampled_from(["\n", "\r\n"]),
    before=st.lists(st.sampled_from(["", "Bench 3", "# by hand", "T: 61,5"]), max_size=4),
    packed=st.booleans(),
    chunk_bytes=st.integers(20, 400),
)
def test_whatever_the_signs_the_numbers_come_out(
    *,
    tmp_path_factory: pytest.TempPathFactory,
    rows: list[tuple[float, float]],
    separator: str,
    decimal: str,
    encoding: str,
    line_end: str,
    before: list[str],
    packed: bool,
    chunk_bytes: int,
) -> None:
    assume(separator != decimal)
    lines = [*before, separator.join(["Time (s)", "I (A)", "U1 (V)"])]
    lines += [
        separator.join([str(at), *(f"{value:.4f}".replace(".", decimal) for value in row)])
        for at, row in enumerate(rows)
    ]
    content = (line_end.join(lines) + line_end).encode(encoding)
    path = tmp_path_factory.mktemp("log") / "log.csv"
    path.write_bytes(gzip.compress(content) if packed else content)
    mapping = Mapping(
        TimeColumn(TimeKind.ELAPSED, ("Time (s)",)),
        (CellColumn("U1 (V)", 1),),
        (SignalColumn(Signal.CURRENT, "I (A)", "A"),),
    )

    found = whole(RunLog(path, mapping, chunk_bytes=chunk_bytes))

    assert found.signals[Signal.CURRENT].tolist() == [row[0] for row in rows]
    assert found.cell_v[1].tolist() == [row[1] for row in rows]


def test_a_stray_quotation_mark_spoils_nothing(tmp_path: Path) -> None:
    quoted = PLAIN.replace(",", '","').replace("\n", '"\n"')

    for text in (PLAIN.replace("0.653", '0.6"53', 1), '"' + quoted.replace('"0.653"', '"0.653', 1)):
        found = whole(guessed(kept(tmp_path, text.rstrip('"'))))
        assert found.rows == 50
        assert found.cell_v[1][3] == 0.653


def test_a_remark_between_quotation_marks_may_hold_the_separator(tmp_path: Path) -> None:
    lines = PLAIN.splitlines()
    text = lines[0] + ",remark\n" + "".join(f'{line},"warm, wet"\n' for line in lines[1:])

    found = whole(guessed(kept(tmp_path, text), chunk_bytes=100))

    assert found.cell_v[2].tolist() == whole(guessed(kept(tmp_path, PLAIN))).cell_v[2].tolist()


@pytest.mark.parametrize("seed", range(12))
@pytest.mark.parametrize("kind", ["parquet", "xlsx", "csv.gz", "csv"])
def test_a_damaged_file_is_read_or_refused_and_never_breaks(
    tmp_path: Path, kind: str, seed: int
) -> None:
    frame = pl.read_csv(kept(tmp_path, PLAIN))
    path = tmp_path / f"log.{kind}"
    if kind == "parquet":
        frame.write_parquet(path)
    elif kind == "xlsx":
        book = openpyxl.Workbook()
        for row in (frame.columns, *frame.rows()):
            book.worksheets[0].append(list(row))
        book.save(path)
    else:
        path.write_bytes(gzip.compress(PLAIN.encode()) if kind == "csv.gz" else PLAIN.encode())
    rng = np.random.default_rng(seed)
    content = bytearray(path.read_bytes())
    for at in rng.integers(0, len(content), size=int(rng.integers(1, 30))):
        content[at] = int(rng.integers(0, 256))
    path.write_bytes(bytes(content[: int(rng.integers(1, len(content) + 1))]))

    with suppress(Refused):
        assert all(batch.rows > 0 for batch in guessed(path).batches())
