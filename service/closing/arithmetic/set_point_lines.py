"""The set points of a number of cells as lines people read and acknowledge, and as plain data.

Source: as in set_points.
"""

from dataclasses import dataclass
from typing import Any

from service.limits.arithmetic.operation_figures import OperationFigures
from service.limits.arithmetic.set_points import FORMULA, SetPoints, set_points
from service.platform.arithmetic.units import Measure, from_si

FORM = "set points 1"
DIGITS = 4
"""Digits shown and acknowledged: more than any controller holds."""


@dataclass(frozen=True, slots=True)
class SetPointLine:
    """One set point, in the unit people use."""

    name: str
    value: str
    unit: str


@dataclass(frozen=True, slots=True)
class SetPointsAsked:
    """What is acknowledged: the lines for so many cells at a current."""

    cells: int
    current_a: float
    lines: tuple[SetPointLine, ...]

    @property
    def as_data(self) -> dict[str, Any]:
        """The same as plain data, to be hashed and kept."""
        return {
            "form": FORM,
            "formula": FORMULA,
            "cells": self.cells,
            "current_a": self.current_a,
            "lines": [[it.name, it.value, it.unit] for it in self.lines],
        }


def set_points_asked(cells: int, figures: OperationFigures) -> SetPointsAsked:
    """Which set points belong to so many cells with an MEA? Raises trade errors for none."""
    found = set_points(cells, figures.operation)
    return SetPointsAsked(cells, figures.current_a, tuple(_lines(found, figures)))


def _lines(found: SetPoints, figures: OperationFigures) -> list[SetPointLine]:
    at, oxidant = f"at {found.reference}", str(figures.oxidant_gas)
    return [
        SetPointLine("current", _written(figures.current_a), "A"),
        _flow(f"hydrogen {at}", found.hydrogen.volume_m3_s),
        _flow(f"{oxidant} {at}", found.oxidant.volume_m3_s),
        _mass("water with the hydrogen", found.hydrogen.water_kg_s),
        _mass(f"water with the {oxidant}", found.oxidant.water_kg_s),
        _mass("product water", found.product_water_kg_s),
        SetPointLine("heat, water leaves as vapour (LHV)", _written(found.heat_lhv_w), "W"),
        SetPointLine("heat, water leaves liquid (HHV)", _written(found.heat_hhv_w), "W"),
        _flow(f"coolant, {figures.coolant}, rise {figures.coolant_rise_k:g} K", found.coolant_m3_s),
        SetPointLine("least stack voltage", _written(found.least_voltage_v), "V"),
        SetPointLine("rated stack voltage", _written(found.rated_voltage_v), "V"),
        SetPointLine("greatest stack voltage", _written(found.greatest_voltage_v), "V"),
        SetPointLine("power at the rated voltage", _written(found.power_w), "W"),
    ]


def _flow(name: str, m3_s: float) -> SetPointLine:
    return SetPointLine(name, _written(from_si(m3_s, "L/min", Measure.FLOW)), "L/min")


def _mass(name: str, kg_s: float) -> SetPointLine:
    return SetPointLine(name, _written(from_si(kg_s, "g/min", Measure.MASS_FLOW)), "g/min")


def _written(value: float) -> str:
    """A value with `DIGITS` digits, never as a power of ten.

    >>> _written(1661.97), _written(20.9123), _written(0.0)
    ('1662', '20.91', '0')
    """
    rounded = float(f"{value:.{DIGITS}g}")
    text = f"{rounded:.10f}".rstrip("0").rstrip(".")
    return text or "0"
