"""The trace of a leak test: ramp, stabilising and both readings come from its points."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.platform.arithmetic.typed_fields import FieldRefused
from service.proof.arithmetic.leak_traces import read_trace, with_trace

DECAY = {"method": "pressure decay", "zero": "gauge", "set_up": "2"}


def a_trace(
    ramp_min: float = 10.0,
    *,
    settled_min: float = 3.0,
    measured_min: float = 10.0,
    lost_kpa_min: float = 0.01,
    header: str = "t (s); p (kPa); T (°C)",
) -> str:
    """One point every 5 s: up evenly, then down evenly; 0.01 °C warmer each minute."""
    lines, kpa = [header], 50.0
    for second in range(0, round(60 * (ramp_min + settled_min + measured_min)) + 1, 5):
        minutes = second / 60
        down = lost_kpa_min * (minutes - ramp_min)
        pressure = kpa * minutes / ramp_min if minutes < ramp_min else kpa - down
        lines.append(f"{second}; {pressure:.5f}; {20 + 0.01 * minutes:.4f}")
    return "\n".join(lines)


def number(text: str) -> float:
    return float(text.split(maxsplit=1)[0])


@given(st.floats(1.0, 20.0), st.floats(0.5, 6.0), st.floats(2.0, 15.0), st.floats(0.0, 0.5))
def test_a_trace_gives_what_was_done(
    ramp_min: float, settled_min: float, measured_min: float, lost: float
) -> None:
    trace = read_trace(
        a_trace(ramp_min, settled_min=settled_min, measured_min=measured_min, lost_kpa_min=lost)
    )

    given_by_trace = with_trace(DECAY, trace, measured_min)

    one_point = 5 / 60
    assert number(given_by_trace["ramp"]) == pytest.approx(50.0 / ramp_min, rel=0.02)
    assert number(given_by_trace["ramp_time"]) == pytest.approx(ramp_min, abs=1.01 * one_point)
    assert number(given_by_trace["settled"]) == pytest.approx(settled_min, abs=2.1 * one_point)
    assert number(given_by_trace["duration"]) == pytest.approx(measured_min, abs=1.01 * one_point)
    drop = number(given_by_trace["start_pressure"]) - number(given_by_trace["end_pressure"])
    assert drop == pytest.approx(lost * number(given_by_trace["duration"]), abs=2e-4)


@pytest.mark.parametrize(
    ("header", "row"),
    [
        ("t (min); p (mbar); T (°C)", "0,5; 503,25; 21,4"),
        ("t [min]\tp [mbar]\tT [°C]", "0.5\t503.25\t21.4"),
        ("time (min),pressure (bar),temperature (K)", "0.5,0.50325,294.55"),
    ],
)
def test_units_and_marks_are_read_from_the_file(header: str, row: str) -> None:
    cells = row.replace("0.5", "{}", 1).replace("0,5", "{}", 1)
    rows = [cells.format(at) for at in range(12)]

    trace = read_trace("\n".join((header, *rows)))

    assert trace.minutes[-1] == pytest.approx(11.0)
    assert trace.kpa[0] == pytest.approx(50.325)
    assert trace.celsius[0] == pytest.approx(21.4)


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("", "0 lines"),
        ("1;2;3\n" * 9, "9 lines"),
        (a_trace().replace("; 20.0000", ""), "line 1: 0; 0.00000"),
        (a_trace().replace("\n60; ", "\n40; "), "line 13"),
        ("\n".join(f"{second}; {second}; warm" for second in range(20)), "line 1: 0; 0; warm"),
        (a_trace(header="t (kPa); p (kPa); T (°C)"), "t (kPa)"),
    ],
)
def test_a_trace_that_cannot_be_read_is_refused_at_its_line(text: str, value: str) -> None:
    with pytest.raises(FieldRefused) as refused:
        read_trace(text)

    assert (refused.value.field, refused.value.value) == ("trace", value)


def test_what_the_trace_gives_is_not_typed_as_well() -> None:
    with pytest.raises(FieldRefused, match="the trace gives it") as refused:
        with_trace(DECAY | {"end_pressure": "50 kPa"}, read_trace(a_trace()), 10.0)

    assert refused.value.field == "end_pressure"


def test_a_window_that_reaches_into_the_ramp_is_refused() -> None:
    with pytest.raises(FieldRefused, match="after the highest pressure"):
        with_trace(DECAY, read_trace(a_trace(settled_min=1.0)), 12.0)


def test_without_a_recipe_the_measuring_time_is_typed() -> None:
    with pytest.raises(FieldRefused) as refused:
        with_trace(DECAY, read_trace(a_trace()), None)
    assert refused.value.field == "duration"

    assert number(with_trace(DECAY | {"duration": "5"}, read_trace(a_trace()), None)["duration"])
