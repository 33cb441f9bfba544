"""Which column of a log is what: mappings as JSON, guesses, and what guesses doubt."""

import pytest

from service.platform.arithmetic.errors import Inconsistent, OutOfRange
from service.platform.arithmetic.units import Measure
from service.runs.arithmetic.log_columns import (
    CellColumn,
    LongForm,
    Mapping,
    Signal,
    SignalColumn,
    TimeColumn,
    TimeKind,
    mapping_from_json,
)
from service.runs.arithmetic.log_guess import Guess, guess_mapping
from service.runs.arithmetic.log_units import linear, parted

ELAPSED = TimeColumn(TimeKind.ELAPSED, ("t",), "s")
ONE = (CellColumn("U1", 1),)


def guess(headings: str, *rows: str, units: str | None = None, decimal: str = ".") -> Guess:
    return guess_mapping(
        headings.split(";"),
        [row.split(";") for row in rows],
        units=units.split(";") if units else None,
        decimal=decimal,
    )


def signals(found: Guess) -> dict[Signal, str]:
    return {one.signal: one.column for one in found.mapping.signals}


def doubts(found: Guess) -> str:
    return " | ".join(f"{doubt.about}: {doubt.why}" for doubt in found.doubts)


def test_a_mapping_read_from_its_json_is_the_same() -> None:
    mapping = Mapping(
        TimeColumn(TimeKind.CLOCK, ("Datum", "Uhrzeit"), pattern="07.03.2026 14:20:05"),
        (CellColumn("U 1 [mV]", 1, "mV"),),
        (SignalColumn(Signal.TEMPERATURE, "T °C", "°C"),),
        LongForm("channel", "value"),
        decimal=",",
        separator=";",
    )

    assert mapping_from_json(mapping.to_json()) == mapping


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("{", "no JSON"),
        ("{}", "log columns 1"),
        ('{"form": "log columns 1"}', "time"),
        ('{"form": "log columns 1", "time": {"kind": "lunar"}}', "lunar"),
    ],
)
def test_a_mapping_that_is_none_is_refused_with_the_reason(text: str, said: str) -> None:
    with pytest.raises((Inconsistent, OutOfRange), match=said):
        mapping_from_json(text)


def test_what_contradicts_itself_is_no_mapping() -> None:
    with pytest.raises(Inconsistent, match="Channel 1"):
        Mapping(ELAPSED, (CellColumn("a", 1), CellColumn("b", 1)))
    with pytest.raises(Inconsistent, match="Column a"):
        Mapping(ELAPSED, (CellColumn("a", 1), CellColumn("a", 2)))
    with pytest.raises(Inconsistent, match="besides time"):
        Mapping(ELAPSED)
    with pytest.raises(OutOfRange, match="the unit of T"):
        SignalColumn(Signal.TEMPERATURE, "T", "bar")
    with pytest.raises(OutOfRange, match="fortnight"):
        TimeColumn(TimeKind.ELAPSED, ("t",), "fortnight")
    with pytest.raises(Inconsistent, match="at once"):
        Mapping(ELAPSED, ONE, separator=",", decimal=",")


@pytest.mark.parametrize(
    ("unit", "measure", "factor", "addend"),
    [
        ("mV", Measure.VOLTAGE, 1e-3, 0.0),
        ("°F", Measure.TEMPERATURE, 5 / 9, -160 / 9),
        ("mA/cm²", Measure.CURRENT_DENSITY, 1e-3, 0.0),
        ("A/m2", Measure.CURRENT_DENSITY, 1e-4, 0.0),
        ("mbara", Measure.PRESSURE, 0.1, 0.0),
        ("mL/min", Measure.FLOW, 1e-3, 0.0),
        ("s", Measure.DURATION, 1 / 3600, 0.0),
    ],
)
def test_units_of_a_log_come_into_the_laboratorys(
    unit: str, measure: Measure, factor: float, addend: float
) -> None:
    assert linear(unit, measure) == pytest.approx((factor, addend), rel=1e-9, abs=1e-8)


def test_a_squared_sign_spoilt_by_a_code_page_is_read() -> None:
    assert parted("J (A/cm\uff72)").unit == "A/cm²"
    assert parted("T (\uff70C)").unit == "°C"


def test_a_log_with_a_row_of_units_is_guessed() -> None:
    found = guess(
        "Zeit;Strom;Zelle_01;Zelle_02;T_Stack",
        "0;70;0,65;0,64;61",
        units="s;A;V;V;°C",
        decimal=",",
    )

    assert found.mapping.time == TimeColumn(TimeKind.ELAPSED, ("Zeit",), "s")
    assert [cell.channel for cell in found.mapping.cells] == [1, 2]
    assert signals(found) == {Signal.CURRENT: "Strom", Signal.TEMPERATURE: "T_Stack"}


def test_columns_counted_from_zero_are_moved_up_and_it_is_said() -> None:
    found = guess("t (s);I (A);cell 0 (mV);cell 1 (mV)", "0;70;651;648")

    assert [(cell.channel, cell.unit) for cell in found.mapping.cells] == [(1, "mV"), (2, "mV")]
    assert "count from 0" in doubts(found)


def test_a_missing_channel_and_a_missing_unit_are_doubted() -> None:
    found = guess("time;current;U1;U3", "0;70;651;648", "1;70;650;648")

    assert [cell.unit for cell in found.mapping.cells] == ["mV", "mV"]
    assert "no column for channel 2" in doubts(found)
    assert "read as mV" in doubts(found)
    assert "read as seconds" in doubts(found)


def test_the_date_and_the_time_of_day_may_stand_in_two_columns() -> None:
    found = guess("Datum;Uhrzeit;I [A];U1 [V]", "07.03.2026;14:20:05;70;0.65")

    assert found.mapping.time.columns == ("Datum", "Uhrzeit")
    assert found.mapping.time.pattern == "07.03.2026 14:20:05"


def test_day_and_month_that_may_be_either_are_doubted() -> None:
    unclear = guess("time;U1 (V)", "03/07/2026 10:00;0.65")
    clear = guess("time;U1 (V)", "03/27/2026 10:00;0.65")

    assert "month/day/year" in doubts(unclear)
    assert clear.mapping.time.pattern == "03/07/2026 14:20:05"
    assert "month/day/year" not in doubts(clear)


def test_seconds_since_1970_and_elapsed_hours_are_told_apart() -> None:
    since = guess("timestamp;U1 (V)", "1772893205;0.65")
    elapsed = guess("time (h);U1 (V)", "1046.9;0.65")

    assert since.mapping.time.kind is TimeKind.CLOCK
    assert elapsed.mapping.time.unit == "h"
    assert "perhaps it is what the hour meter shows" in doubts(elapsed)


def test_one_value_a_row_is_seen_with_its_channels() -> None:
    found = guess(
        "time;channel;value",
        "2026-03-07 10:00:00;I (A);70",
        "2026-03-07 10:00:00;U1 (V);0.65",
        "2026-03-07 10:00:01;I (A);70",
        "2026-03-07 10:00:01;U1 (V);0.65",
    )

    assert found.mapping.long == LongForm("channel", "value")
    assert signals(found) == {Signal.CURRENT: "I (A)"}
    assert found.mapping.cells == (CellColumn("U1 (V)", 1, "V"),)


def test_one_cell_a_row_is_seen_too() -> None:
    rows = [f"{time};{cell};0.65;70" for time in (0, 1) for cell in (1, 2, 3)]

    found = guess("time (s);cell;voltage (V);current (A)", *rows)

    assert found.mapping.long == LongForm("cell", "voltage (V)")
    assert [cell.column for cell in found.mapping.cells] == ["1", "2", "3"]
    assert signals(found) == {Signal.CURRENT: "current (A)"}


def test_cells_that_do_not_add_up_are_said_and_kept() -> None:
    found = guess("t (s);I (A);U1 (V);U2 (V);Ustack (V)", "0;70;0.654;0.648;1.250")

    assert "add up to 1.302 V, the stack shows 1.250 V" in doubts(found)
    assert signals(found)[Signal.STACK_VOLTAGE] == "Ustack (V)"


def test_an_hour_meter_is_no_time_column() -> None:
    found = guess("time (s);hour meter (h);I (A);U1 (V)", "0;812.4;70;0.65")

    assert found.mapping.time.columns == ("time (s)",)
    assert signals(found)[Signal.METER] == "hour meter (h)"


def test_a_table_without_currents_and_voltages_is_no_log() -> None:
    with pytest.raises(Inconsistent, match="serial, type"):
        guess("serial;type", "M-1;MEA")


@pytest.mark.parametrize(
    ("heading", "name", "unit"),
    [
        ("Luftmenge / l/min", "Luftmenge", "l/min"),
        ("J / A/cm²", "J", "A/cm²"),
        ("current_density_A_cm2", "current_density", "A_cm2"),
        ("U_12_V", "U_12", "V"),
        ("T_stack", "T_stack", ""),
    ],
)
def test_a_unit_is_parted_from_its_name(heading: str, name: str, unit: str) -> None:
    assert (parted(heading).name, parted(heading).unit) == (name, unit)


def test_names_as_programs_write_them_are_guessed() -> None:
    found = guess(
        "timestamp;current_density_A_cm2;cell_voltages_0;cell_voltages_1;U",
        "2026-03-07T10:00:00Z;0.7;0.65;0.64;1.29",
    )

    assert [(cell.column, cell.channel) for cell in found.mapping.cells] == [
        ("cell_voltages_0", 1),
        ("cell_voltages_1", 2),
    ]
    assert signals(found) == {
        Signal.CURRENT_DENSITY: "current_density_A_cm2",
        Signal.STACK_VOLTAGE: "U",
    }
