"""Tests of insulation and shorts as they are typed: texts with units, refusals by field.

Sources: as in insulation_tests and short_checks.
"""

import re
from collections.abc import Sequence

from service.limits.arithmetic.insulation import Between, Condition
from service.platform.arithmetic.errors import OutOfRange, placed
from service.platform.arithmetic.typed_fields import (
    FieldRefused,
    Typed,
    needed_quantity,
    typed_quantity,
    typed_word,
)
from service.platform.arithmetic.units import Measure, from_si, read_quantity
from service.proof.arithmetic.insulation_tests import InsulationMeasured, InsulationTest
from service.proof.arithmetic.short_checks import ShortCheck, ShortMethod

PLACES = {Between.RODS_PLATES: "rods_plates", Between.PLATES_GROUND: "plates_ground"}
"""Beginnings of the fields of each place."""
NOT_MEASURED = {"", "-", "–", "—", "none", "not measured"}
FIELDS = {
    "cells_bonded": "cells_bonded",
    "hydrogen_present": "no_hydrogen",
    "readings": "rods_plates_resistance",
    "test_voltage_v": "test_voltage",
    "working_voltage_v": "working_voltage",
}
"""The fields a test of insulation's inputs come from, by the key of the input."""
SHORT_FIELDS = {"active_area_cm2": "active_area"}


def read_insulation_test(
    typed: Typed, cells: int, accuracy_percent: float | None = None
) -> InsulationTest:
    """Return the test that was typed.

    A resistance such as “> 2000” is more than the tester shows.

    ``cells_bonded`` and ``no_hydrogen`` are ticked boxes. Raises FieldRefused and the errors of
    InsulationTest, which `FIELDS` leads to fields.
    """
    condition = Condition(
        typed_word(typed, "condition", "what stands in the coolant circuit", tuple(Condition))
    )
    voltage = needed_quantity(typed, "test_voltage", "the test voltage", Measure.VOLTAGE, "V")
    readings = [
        reading
        for between, name in PLACES.items()
        if (reading := _measured(typed, between, name, condition, voltage)) is not None
    ]
    return InsulationTest(
        cells,
        bool(typed.get("cells_bonded", "").strip()),
        not typed.get("no_hydrogen", "").strip(),
        tuple(readings),
        typed_quantity(typed, "working_voltage", "the working voltage", Measure.VOLTAGE, "V"),
        accuracy_percent,
    )


def _measured(
    typed: Typed, between: Between, name: str, condition: Condition, voltage: float
) -> InsulationMeasured | None:
    field = f"{name}_resistance"
    text = typed.get(field, "").strip()
    over = bool(re.match(r"[>≥]", text)) or bool(typed.get(f"{name}_over", "").strip())
    plain = {field: re.sub(r"^[>≥]\s*", "", text)}
    mohm = typed_quantity(plain, field, f"the resistance {between}", Measure.RESISTANCE, "MΩ")
    if mohm is None:
        return None
    with placed(resistance_mohm=field, test_voltage_v="test_voltage"):
        return InsulationMeasured(between, condition, mohm, voltage, over)


def read_short_check(
    typed: Typed,
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
    way = ShortMethod(typed_word(typed, "way", "how the cells are checked", tuple(ShortMethod)))
    rows = [row.strip() for text in values for row in re.split(r"[\n;\t]", text)]
    while rows and not rows[-1]:
        rows.pop()
    if len(rows) > cells:
        raise FieldRefused(
            "values", "the list of values", f"{len(rows)} values", "", f"up to {cells}, one a cell"
        )
    rows += [""] * (cells - len(rows))
    return ShortCheck(
        way,
        tuple(
            None if cell in blank_cells else _value(cell, row, way)
            for cell, row in enumerate(rows, 1)
        ),
        active_area_cm2,
        blank_cells,
    )


def _value(cell: int, text: str, way: ShortMethod) -> float | None:
    if text.casefold() in NOT_MEASURED:
        return None
    measure, unit = Measure.RESISTANCE, "Ω"
    if way is ShortMethod.VOLTAGE:
        measure, unit = Measure.VOLTAGE, "V"
    try:
        entry = read_quantity(text, measure, unit)
    except OutOfRange as trouble:
        right = f"{trouble.allowed}; or - for a cell that was not measured"
        raise FieldRefused("values", f"cell {cell}", text, "", right) from trouble
    return entry.value if entry.unit == unit else from_si(entry.si, unit, measure)
