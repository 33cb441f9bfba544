"""How far an instrument of each kind may read wrong where its own figure is not known.

Sources: ISO 6789-1:2017 from memory (torque drivers); common practice, no source, for the rest.
"""

from dataclasses import dataclass

from service.physics.arithmetic.clamping import permissible_deviation
from service.platform.arithmetic.errors import OutOfRange


@dataclass(frozen=True, slots=True)
class Accuracy:
    """Greatest deviation ± in % of the reading, and at least ``least`` in ``unit``; where from.

    A certificate or data sheet of the instrument itself goes first.
    """

    percent: float
    least: float
    unit: str
    source: str


_USUAL = {
    "torque driver": Accuracy(4.0, 0.0, "N·m", "ISO 6789-1:2017, above 10 N·m"),
    "pressure gauge": Accuracy(0.5, 0.05, "kPa", "common practice, digital gauge"),
    "thermometer": Accuracy(0.0, 0.2, "K", "common practice"),
    "flow meter": Accuracy(1.5, 0.0, "mL/min", "common practice, thermal flow meter"),
    "insulation tester": Accuracy(5.0, 0.0, "MΩ", "common practice"),
    "multimeter": Accuracy(0.5, 0.0, "", "common practice, hand-held"),
    "height gauge": Accuracy(0.0, 0.03, "mm", "common practice"),
    "gas detector": Accuracy(10.0, 0.0, "", "common practice"),
}
KINDS = tuple(_USUAL)


def instrument_accuracy(kind: str, reading: float | None = None) -> Accuracy:
    """Return how far an instrument of this kind may read wrong; ``reading`` in its unit.

    Drivers below 10 N·m may be 6 % off. Raises OutOfRange for an unknown kind.

    >>> instrument_accuracy("torque driver").percent
    4.0
    >>> instrument_accuracy("torque driver", 8.0).percent
    6.0
    """
    if kind not in _USUAL:
        raise OutOfRange("the kind of instrument", kind or "missing", "", ", ".join(KINDS))
    usual = _USUAL[kind]
    if kind == "torque driver" and reading is not None:
        percent = round(100 * permissible_deviation(reading), 9)
        bound = "up to" if percent > usual.percent else "above"
        return Accuracy(percent, 0.0, usual.unit, f"ISO 6789-1:2017, {bound} 10 N·m")
    return usual
