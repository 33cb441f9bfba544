"""Tests of a closed stack as they are typed: texts with units into one test, refusals by field.

Sources: as in leak_tests and electrical_tests.
"""

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

from service.limits.arithmetic.insulation import Between, Condition
from service.limits.arithmetic.leak_objects import LeakObject
from service.limits.arithmetic.leak_paths import SET_UPS, Circuit, Path
from service.limits.arithmetic.leak_recipes import Wetness
from service.physics.arithmetic.gases import CROSSOVER_GASES, NORMAL, REFERENCES
from service.platform.arithmetic.errors import OutOfRange, placed
from service.platform.arithmetic.numbers import read_number
from service.platform.arithmetic.pressures import Zero
from service.platform.arithmetic.typed_fields import (
    FieldRefused,
    Typed,
    needed_quantity,
    typed_pressure,
    typed_quantity,
    typed_word,
)
from service.platform.arithmetic.units import Measure, from_si, read_quantity
from service.proof.arithmetic.electrical_tests import (
    InsulationMeasured,
    InsulationTest,
    ShortCheck,
    ShortMethod,
)
from service.proof.arithmetic.leak_searches import LeakSearch, SearchWay
from service.proof.arithmetic.leak_tests import (
    Arrived,
    HeliumMode,
    HeliumReading,
    LeakTest,
    Meter,
    Method,
    StepsKept,
)
from service.store.arithmetic.instrument_errors import UNKNOWN, MayBeOff

VOLUME_PERCENT = 3.0
"""How well a circuit's volume is usually known, ±."""
LEAK_FIELDS = {
    "barometer": "barometer",
    "duration_min": "duration",
    "end_pressure_kpa": "end_pressure",
    "end_temperature_c": "end_temperature",
    "flow_ml_min": "flow",
    "gas": "gas",
    "meter": "meter_id",
    "set_up": "set_up",
    "start_pressure_kpa": "start_pressure",
    "start_temperature_c": "start_temperature",
    "volume_l": "volume",
    "volume_percent": "volume_percent",
    "zero": "zero",
    **{f"arrived_{circuit}": f"arrived_{circuit}" for circuit in Circuit},
    **{
        name: f"helium_{name}"
        for name in (
            *("path", "reading", "percent", "background_before", "background_after"),
            *("calibrated", "calibrated_percent", "calibrated_before", "calibrated_after"),
        )
    },
}
"""The fields a test's inputs come from, by the key of the input."""


@dataclass(frozen=True, slots=True)
class ReadWith:
    """What is known of gauge, thermometer and flow meter, for readings in kPa, °C and mL/min."""

    gauge: MayBeOff = UNKNOWN
    gauge_step_kpa: float = 0.0
    thermometer: MayBeOff = UNKNOWN
    thermometer_step_k: float = 0.0
    meter_full_scale_ml_min: float | None = None
    meter: MayBeOff = UNKNOWN
    meter_step_ml_min: float = 0.0
    detector_step_mbar_l_s: float = 0.0


def reads_flows(texts: Typed) -> bool:
    """Say whether a flow meter was read in the test."""
    watched = [f"arrived_{circuit}" for circuit in Circuit]
    method = texts.get("method", "")
    if method == Method.HELIUM:
        return False
    return method == Method.FLOW_METER or any(texts.get(name, "").strip() for name in watched)


def reads_helium(texts: Typed) -> bool:
    """Say whether a helium leak detector was read in the test."""
    return texts.get("method", "") == Method.HELIUM


def read_leak_test(
    texts: Typed, cells: int, read_with: ReadWith, alone: LeakObject | None = None
) -> LeakTest:
    """Return the test that was typed, for a stack of so many cells or what is tested alone.

    Raises FieldRefused naming the field, and the errors of LeakTest, which `LEAK_FIELDS` leads to
    fields.
    """
    orders = [str(choice.order) for choice in SET_UPS]
    set_up = int(typed_word(texts, "set_up", "the set-up", orders))
    method = Method(typed_word(texts, "method", "the method", tuple(Method)))
    gas = typed_word(texts, "gas", "the test gas", [choice.name for choice in CROSSOVER_GASES])
    zero = Zero(texts.get("zero", "") or Zero.NOT_SAID) if _known_zero(texts) else Zero.NOT_SAID
    start = typed_pressure(texts, "start_pressure", "the pressure at the start", zero)
    if start is None:
        raise FieldRefused(
            "start_pressure", "the pressure at the start", "empty", "", "a number in kPa"
        )
    end = typed_pressure(texts, "end_pressure", "the pressure at the end", start[1])
    by_decay = method is Method.PRESSURE_DECAY
    if by_decay and end is None:
        raise FieldRefused(
            "end_pressure", "the pressure at the end", "empty", "", "a number in kPa"
        )
    warm = _temperature(texts, "start", needed=True)
    by_flow = method is Method.FLOW_METER
    meter = _meter(texts, read_with) if reads_flows(texts) else None
    outside = _barometer(texts, "barometer") or _no_barometer()
    test = LeakTest(
        set_up=set_up,
        method=method,
        gas=gas,
        cells=cells,
        barometer_kpa=outside,
        zero=start[1],
        start_pressure_kpa=start[0],
        start_temperature_c=warm or 0.0,
        end_pressure_kpa=end[0] if end and by_decay else None,
        end_temperature_c=_temperature(texts, "end", needed=True) if by_decay else None,
        end_barometer_kpa=_barometer(texts, "end_barometer") if by_decay else None,
        duration_min=needed_quantity(texts, "duration", "the duration", Measure.DURATION, "min")
        if by_decay
        else None,
        volume_l=typed_quantity(texts, "volume", "the volume under test", Measure.VOLUME, "L"),
        flow_ml_min=needed_quantity(texts, "flow", "the flow", Measure.FLOW, "mL/min")
        if by_flow
        else None,
        flow_zero_ml_min=_flow(texts, "flow_zero") or 0.0,
        meter=meter,
        arrived=tuple(_arrived(texts, read_with.meter_full_scale_ml_min))
        if by_decay or by_flow
        else (),
        gauge_percent=gauge_percent(start[0], start[1], outside, read_with.gauge),
        gauge_step_kpa=read_with.gauge_step_kpa,
        thermometer_k=read_with.thermometer.at(warm or 0.0),
        thermometer_step_k=read_with.thermometer_step_k,
        volume_percent=_percent(
            texts, "volume_percent", "the uncertainty of the volume", VOLUME_PERCENT
        ),
        state=_state(texts),
        alone=alone,
        helium=None if by_decay or by_flow else _helium(texts, read_with),
    )
    return replace(test, kept=_steps_kept(texts, test))


def _helium(texts: Typed, read_with: ReadWith) -> HeliumReading:
    """What a helium leak detector showed of the path, its background and a calibrated leak."""
    for name in (f"arrived_{circuit}" for circuit in Circuit):
        if flow := texts.get(name, "").strip():
            raise FieldRefused(name, "the flow", flow, "", "empty: a leak detector reads none")
    names = {
        "reading": "the reading of the detector",
        "background_before": "the background before",
        "background_after": "the background after",
        "calibrated": "the rate of the calibrated leak by its certificate",
        "calibrated_before": "the reading of the calibrated leak before",
        "calibrated_after": "the reading of the calibrated leak after",
    }
    rates = {
        f"{name}_mbar_l_s": needed_quantity(
            texts, f"helium_{name}", label, Measure.LEAK_RATE, "mbar·L/s"
        )
        for name, label in names.items()
    }
    mode = typed_word(texts, "helium_mode", "how helium is looked for", tuple(HeliumMode))
    path = texts.get("helium_path", "").strip()
    if path:
        path = typed_word(texts, "helium_path", "the path", tuple(Path))
    return HeliumReading(
        HeliumMode(mode),
        **rates,
        path=Path(path) if path else None,
        calibrated_percent=_percent(
            texts, "helium_calibrated_percent", "the uncertainty of the calibrated leak", 10.0
        ),
        helium_percent=_percent(texts, "helium_percent", "the share of helium", 100.0),
        step_mbar_l_s=read_with.detector_step_mbar_l_s,
    )


def _state(texts: Typed) -> Wetness | None:
    text = texts.get("state", "").strip()
    if not text:
        return None
    return Wetness(typed_word(texts, "state", "the state of the stack", tuple(Wetness)))


STEPS = ("ramp_time", "settled", "most_pressure", "relief")


def _steps_kept(texts: Typed, test: LeakTest) -> StepsKept | None:
    """The steps of a recipe; both times are needed once any of them is given."""
    if not any(texts.get(name, "").strip() for name in STEPS):
        return None
    minutes = {
        name: needed_quantity(texts, name, label, Measure.DURATION, "min")
        for name, label in (
            ("ramp_time", "the time of the ramp"),
            ("settled", "the stabilising time"),
        )
    }
    outside = test.barometer_kpa if test.zero is Zero.ABSOLUTE else 0.0
    most = typed_pressure(texts, "most_pressure", "the highest pressure", test.zero)
    most_kpa = test.gauge_pressure_kpa if most is None else most[0] - outside
    if most_kpa < test.gauge_pressure_kpa * (1 - 0.01):
        right = f"no less than at the start, {test.gauge_pressure_kpa:.4g} kPa gauge"
        raise FieldRefused("most_pressure", "the highest pressure", f"{most_kpa:.4g}", "kPa", right)
    relief = typed_pressure(texts, "relief", "the relief valve's setting", Zero.GAUGE)
    steepest = texts.get("ramp", "").strip()
    if not steepest and minutes["ramp_time"] <= 0:
        raise FieldRefused("ramp_time", "the time of the ramp", "0", "min", "more than 0 min")
    return StepsKept(
        read_number(steepest) if steepest else most_kpa / minutes["ramp_time"],
        minutes["ramp_time"],
        minutes["settled"],
        most_kpa,
        relief[0] if relief else None,
    )


def gauge_percent(kpa: float, zero: Zero, outside_kpa: float, gauge: MayBeOff) -> float | None:
    """Return how far the gauge may be off at the start, % of the absolute pressure."""
    absolute = kpa if zero is Zero.ABSOLUTE else kpa + outside_kpa
    return gauge.percent_at(absolute) if absolute > 0 else None  # no pressure is refused later


def _known_zero(texts: Typed) -> bool:
    text = texts.get("zero", "").strip()
    if text and text not in (Zero.GAUGE, Zero.ABSOLUTE):
        raise FieldRefused("zero", "where the pressure counts from", text, "", "gauge, absolute")
    return bool(text)


def _temperature(texts: Typed, when: str, *, needed: bool) -> float | None:
    read = needed_quantity if needed else typed_quantity
    name, label = f"{when}_temperature", f"the gas temperature at the {when}"
    return read(texts, name, label, Measure.TEMPERATURE, "°C")


def _barometer(texts: Typed, name: str) -> float | None:
    barometer = typed_pressure(texts, name, "the barometer", Zero.ABSOLUTE)
    return barometer[0] if barometer else None


def _no_barometer() -> float:
    raise FieldRefused(
        "barometer", "the barometer", "empty", "", "the air pressure of the hour, such as 101.3 kPa"
    )


def _flow(texts: Typed, name: str) -> float | None:
    return typed_quantity(texts, name, "the flow", Measure.FLOW, "mL/min")


def _meter(texts: Typed, read_with: ReadWith) -> Meter:
    if read_with.meter_full_scale_ml_min is None:
        raise FieldRefused(
            "meter_id",
            "the full scale of the flow meter",
            "not known",
            "",
            "a meter whose range and unit, such as mL/min, are kept on its page",
        )
    chosen = texts.get("meter_reference", "").strip() or NORMAL.name
    names = [reference.name for reference in REFERENCES]
    name = typed_word(
        {"meter_reference": chosen}, "meter_reference", "the reference condition", names
    )
    with placed("meter_id"):
        return meter_of(read_with.meter_full_scale_ml_min, name, read_with)


def meter_of(full_scale_ml_min: float, reference: str, read_with: ReadWith) -> Meter:
    """Return the flow meter of a test, with how far it may be off."""
    of_full_scale = read_with.meter.at(0.0)
    return Meter(
        full_scale_ml_min,
        reference,
        read_with.meter.of_reading_percent,
        0.0 if of_full_scale is None else 100 * of_full_scale / full_scale_ml_min,
        read_with.meter_step_ml_min,
    )


def _arrived(texts: Typed, full_scale: float | None) -> Iterator[Arrived]:
    zero = _flow(texts, "arrived_zero") or 0.0
    for circuit in Circuit:
        flow = _flow(texts, f"arrived_{circuit}")
        if flow is not None:
            _refuse_above(f"arrived_{circuit}", flow, full_scale)
            with placed(flow_ml_min=f"arrived_{circuit}", zero_ml_min="arrived_zero"):
                measured = Arrived(circuit, flow, zero)
            yield measured


def _refuse_above(name: str, flow: float, full_scale: float | None) -> None:
    if full_scale is not None and flow > full_scale:
        allowed = f"up to the meter's full scale, {full_scale:.4g} mL/min"
        raise FieldRefused(name, "the flow", f"{flow:.4g} mL/min", "", allowed)


def _percent(texts: Typed, name: str, label: str, usual: float) -> float:
    text = re.sub(r"[%\s±]", "", texts.get(name, ""))
    if not text:
        return usual
    try:
        return float(text.replace(",", "."))
    except ValueError as trouble:
        right = f"a number in %, such as {usual:g}"
        raise FieldRefused(name, label, text, "%", right) from trouble


def as_text(value: float, unit: str) -> str:
    """Return a number with its unit as it would be typed, so that reading it gives it again.

    >>> as_text(1.125, "kPa")
    '1.1250 kPa'
    """
    text = f"{value:.15g}"
    if re.fullmatch(r"-?[1-9]\d{0,2}\.\d{3}", text):
        text += "0"
    return f"{text} {unit}"


PLACES = {Between.RODS_PLATES: "rods_plates", Between.PLATES_GROUND: "plates_ground"}
"""Beginnings of the fields of each place."""


NOT_MEASURED = {"", "-", "–", "—", "none", "not measured"}


INSULATION_FIELDS = {
    "cells_bonded": "cells_bonded",
    "hydrogen_present": "no_hydrogen",
    "readings": "rods_plates_resistance",
    "test_voltage_v": "test_voltage",
    "working_voltage_v": "working_voltage",
}
"""The fields a test of insulation's inputs come from, by the key of the input."""


SHORT_FIELDS = {"active_area_cm2": "active_area"}


def read_insulation_test(
    texts: Typed, cells: int, tester: MayBeOff | None = None
) -> InsulationTest:
    """Return the test that was typed.

    A resistance such as “> 2000” is more than the tester shows.

    ``cells_bonded`` and ``no_hydrogen`` are ticked boxes. Raises FieldRefused and the errors of
    InsulationTest, which `INSULATION_FIELDS` leads to fields.
    """
    condition = Condition(
        typed_word(texts, "condition", "what stands in the coolant circuit", tuple(Condition))
    )
    voltage = needed_quantity(texts, "test_voltage", "the test voltage", Measure.VOLTAGE, "V")
    readings = [
        reading
        for between, name in PLACES.items()
        if (reading := _measured(texts, between, name, condition, voltage)) is not None
    ]
    return InsulationTest(
        cells,
        bool(texts.get("cells_bonded", "").strip()),
        not texts.get("no_hydrogen", "").strip(),
        tuple(readings),
        typed_quantity(texts, "working_voltage", "the working voltage", Measure.VOLTAGE, "V"),
        tester_percent(readings, tester or UNKNOWN),
    )


def tester_percent(readings: Sequence[InsulationMeasured], tester: MayBeOff) -> float | None:
    """Return how far the insulation tester may be off at the least reading, % of it."""
    least = min((reading.resistance_mohm for reading in readings), default=0.0)
    return tester.percent_at(least) if least > 0 else tester.of_reading_percent


def _measured(
    texts: Typed, between: Between, name: str, condition: Condition, voltage: float
) -> InsulationMeasured | None:
    field = f"{name}_resistance"
    text = texts.get(field, "").strip()
    over = bool(re.match(r"[>≥]", text)) or bool(texts.get(f"{name}_over", "").strip())
    plain = {field: re.sub(r"^[>≥]\s*", "", text)}
    mohm = typed_quantity(plain, field, f"the resistance {between}", Measure.RESISTANCE, "MΩ")
    if mohm is None:
        return None
    with placed(resistance_mohm=field, test_voltage_v="test_voltage"):
        return InsulationMeasured(between, condition, mohm, voltage, over)


def read_short_check(
    texts: Typed,
    values: Sequence[str],
    cells: int,
    active_area_cm2: float,
    blank_cells: tuple[int, ...] = (),
) -> ShortCheck:
    """Return the check that was typed: one value a cell, cell 1 first; a stroke: not measured.

    ``values`` may be one pasted list. Raises FieldRefused for a value that cannot be read and for
    more values than the stack has cells; cells without a value are not measured. Blank cells count
    in the list, and what stands there is left out.
    """
    way = ShortMethod(typed_word(texts, "way", "how the cells are checked", tuple(ShortMethod)))
    measure, unit = Measure.RESISTANCE, "Ω"
    if way is ShortMethod.VOLTAGE:
        measure, unit = Measure.VOLTAGE, "V"
    of_cells = _of_cells(values, cells, blank_cells, measure, unit)
    return ShortCheck(way, of_cells, active_area_cm2, blank_cells)


def read_leak_search(
    texts: Typed,
    values: Sequence[str],
    cells: int,
    unit: str,
    blank_cells: tuple[int, ...] = (),
) -> LeakSearch:
    """Return the search that was typed, as `read_short_check` reads a check.

    A sniffer's readings are in the ``unit`` of the instrument.
    """
    way = SearchWay(typed_word(texts, "way", "how the cell is looked for", tuple(SearchWay)))
    measure = None
    if way is SearchWay.VOLTAGE:
        measure, unit = Measure.VOLTAGE, "V"
    of_cells = _of_cells(values, cells, blank_cells, measure, unit)
    return LeakSearch(way, of_cells, unit, blank_cells)


def _of_cells(
    values: Sequence[str],
    cells: int,
    blank_cells: tuple[int, ...],
    measure: Measure | None,
    unit: str,
) -> tuple[float | None, ...]:
    """One value a cell, as typed in fields or pasted as one list."""
    rows = [row.strip() for text in values for row in re.split(r"[\n;\t]", text)]
    while rows and not rows[-1]:
        rows.pop()
    if len(rows) > cells:
        raise FieldRefused(
            "values", "the list of values", f"{len(rows)} values", "", f"up to {cells}, one a cell"
        )
    rows += [""] * (cells - len(rows))
    return tuple(
        None if cell in blank_cells else _value(cell, row, measure, unit)
        for cell, row in enumerate(rows, 1)
    )


def _value(cell: int, text: str, measure: Measure | None, unit: str) -> float | None:
    if text.casefold() in NOT_MEASURED:
        return None
    try:
        if measure is None:
            return read_number(text.removesuffix(unit).strip())
        entry = read_quantity(text, measure, unit)
    except OutOfRange as trouble:
        right = f"{trouble.allowed}; or - for a cell that was not measured"
        raise FieldRefused("values", f"cell {cell}", text, "", right) from trouble
    return entry.value if entry.unit == unit else from_si(entry.si, unit, measure)
