"""How soft layers answer to being pressed: GDL stress against strain, line load against squeeze.

``x`` is strain or squeeze as a share of the free height, ``y`` is stress in Pa or line load in
N/m. A curve belongs to a part type: points that were measured, or a standard form.
"""

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from itertools import pairwise
from typing import Any

import numpy as np
import numpy.typing as npt

from service.platform.arithmetic.errors import Inconsistent, OutOfRange
from service.platform.arithmetic.preconditions import finite, more_than_zero, within

Array = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Points:
    """Measured points (x, y), joined by straight lines; both grow, from (0, 0) on."""

    points: tuple[tuple[float, float], ...]

    def __post_init__(self) -> None:
        """Refuse points that are no loading curve."""
        if not self.points or self.points[0] != (0.0, 0.0):
            object.__setattr__(self, "points", ((0.0, 0.0), *self.points))
        if len(self.points) < 2:
            raise Inconsistent("A curve needs one point at least besides (0, 0).")
        for (x, y), (next_x, next_y) in pairwise(self.points):
            finite("a point of the curve", next_y, "", "next_y")
            if not (x < next_x < 1 and y < next_y):
                raise Inconsistent(
                    f"The curve must grow from point to point, below a strain of 1:"
                    f" ({next_x:g}, {next_y:g}) follows ({x:g}, {y:g})."
                )

    @property
    def greatest(self) -> float:
        """The last x that was measured."""
        return self.points[-1][0]

    def load(self, x: Array) -> Array:
        """Compute y at each x, 0 to greatest."""
        xs, ys = np.asarray(self.points).T
        return np.asarray(np.interp(x, xs, ys), dtype=np.float64)

    def slope(self, x: Array) -> Array:
        """Compute dy/dx at each x."""
        xs, ys = np.asarray(self.points).T
        index = np.clip(np.searchsorted(xs, x, side="right") - 1, 0, len(xs) - 2)
        return np.asarray(np.diff(ys) / np.diff(xs), dtype=np.float64)[index]


@dataclass(frozen=True, slots=True)
class Power:
    """y = scale · x^exponent, valid up to ``greatest``."""

    scale: float
    exponent: float = 1.0
    greatest: float = 0.6

    def __post_init__(self) -> None:
        """Refuse a curve that does not grow."""
        more_than_zero("the curve's scale", self.scale, "", "scale")
        within("the curve's exponent", self.exponent, "", 1.0, 10.0, "exponent")
        within("the greatest strain of the curve", self.greatest, "", 0.001, 0.95, "greatest")

    def load(self, x: Array) -> Array:
        """Compute y at each x."""
        return self.scale * np.power(x, self.exponent)

    def slope(self, x: Array) -> Array:
        """Compute dy/dx at each x."""
        return self.scale * self.exponent * np.power(x, self.exponent - 1)


@dataclass(frozen=True, slots=True)
class Densifying:
    """y = modulus · x / (1 − x / limit): soft at first, ever stiffer as the pores close.

    Common practice for felts and papers, no source. Valid up to 95 % of ``limit``.
    """

    modulus: float
    limit: float = 0.6

    def __post_init__(self) -> None:
        """Refuse a curve that does not grow."""
        more_than_zero("the curve's modulus", self.modulus, "", "modulus")
        within("the strain at which the pores are closed", self.limit, "", 0.01, 1.0, "limit")

    @property
    def greatest(self) -> float:
        """The greatest strain the form is used for."""
        return 0.95 * self.limit

    def load(self, x: Array) -> Array:
        """Compute y at each x."""
        return self.modulus * x / (1 - x / self.limit)

    def slope(self, x: Array) -> Array:
        """Compute dy/dx at each x."""
        return self.modulus / (1 - x / self.limit) ** 2


@dataclass(frozen=True, slots=True)
class RubberCord:
    """Line load of a round rubber cord: y = d E (1.25 x^1.5 + 50 x^6), N/m.

    Cord diameter in m, modulus in Pa. Valid up to 45 % squeeze, free to bulge sideways.
    Source: Lindley, J. Strain Analysis 2 (1967) 190, from memory.
    """

    diameter_m: float
    modulus_pa: float
    greatest: float = 0.45

    def __post_init__(self) -> None:
        """Refuse what is no cord."""
        more_than_zero("the cord's diameter", self.diameter_m, "m", "diameter_m")
        more_than_zero("the rubber's modulus", self.modulus_pa, "Pa", "modulus_pa")
        within("the greatest squeeze of the curve", self.greatest, "", 0.01, 0.45, "greatest")

    def load(self, x: Array) -> Array:
        """Compute y at each x."""
        return self.diameter_m * self.modulus_pa * (1.25 * x**1.5 + 50 * x**6)

    def slope(self, x: Array) -> Array:
        """Compute dy/dx at each x."""
        return self.diameter_m * self.modulus_pa * (1.875 * np.sqrt(x) + 300 * x**5)


Curve = Points | Power | Densifying | RubberCord
_FORMS: dict[str, type[Curve]] = {
    "points": Points,
    "power": Power,
    "densifying": Densifying,
    "rubber cord": RubberCord,
}


@dataclass(frozen=True, slots=True)
class Soft:
    """A soft material: its loading curve, and how it comes back when the clamp is loosened.

    Once pressed to x_max it comes back along y_max ((x − s) / (x_max − s))^m with
    s = ``set_share`` · x_max and m = ``unloading_exponent``, never carrying more than on the way
    there; pressed further, it follows the loading curve again. ``u_relative`` is the standard
    uncertainty of the whole curve as a share of y. Unloading form: common practice, no source.
    """

    loading: Curve
    set_share: float = 0.0
    unloading_exponent: float | None = None
    u_relative: float = 0.0

    def __post_init__(self) -> None:
        """Refuse a material that comes back further than it was pressed."""
        within(
            "the set as a share of the greatest strain", self.set_share, "", 0.0, 0.95, "set_share"
        )
        within("the uncertainty of the curve", self.u_relative, "", 0.0, 1.0, "u_relative")
        if self.unloading_exponent is not None:
            within(
                "the unloading exponent",
                self.unloading_exponent,
                "",
                1.0,
                10.0,
                "unloading_exponent",
            )

    @property
    def is_elastic(self) -> bool:
        """Say whether it comes back along its loading curve."""
        return self.set_share == 0 and self.unloading_exponent is None

    def answer(self, x: Array, greatest: Array) -> tuple[Array, Array]:
        """Compute y and dy/dx at each x, where it was pressed to ``greatest`` before.

        Beyond the curve's end the last slope goes on, so that a search can pass it; answers found
        there must be refused by `check`.
        """
        y, slope = self._first(x)
        if self.is_elastic:
            return y, slope
        back = (x < greatest) & (greatest > 0)
        if not back.any():
            return y, slope
        y_back, slope_back = self._back(x[back], greatest[back])
        less = y_back < y[back]
        y[back] = np.where(less, y_back, y[back])
        slope[back] = np.where(less, slope_back, slope[back])
        return y, slope

    def _first(self, x: Array) -> tuple[Array, Array]:
        # A search may step beyond the curve: there its last slope goes on, so that it finds its way
        # back.
        inside = np.clip(x, 0.0, self.loading.greatest)
        slope = self.loading.slope(inside)
        y = self.loading.load(inside) + slope * (np.maximum(x, 0.0) - inside)
        return y, np.where(x > 0, slope, 0.0)

    def _back(self, x: Array, greatest: Array) -> tuple[Array, Array]:
        power = self.unloading_exponent or 1.0
        free = self.set_share * greatest
        top, _slope = self._first(greatest)
        part = np.clip((x - free) / (greatest - free), 0.0, None)
        y = top * part**power
        slope = top * power * part ** (power - 1) / (greatest - free)
        return y, np.where(part > 0, slope, 0.0)

    def check(self, name: str, x: float) -> None:
        """Raise OutOfRange where an answer lies beyond what the curve was made for."""
        # the balance is solved to 1e-9: exactly at the end is not beyond it
        if x > self.loading.greatest * (1 + 1e-9):
            raise OutOfRange(
                name,
                f"{100 * x:.1f}",
                "%",
                f"up to {100 * self.loading.greatest:g} %, where its curve ends",
            )


def soft_as_data(soft: Soft) -> dict[str, Any]:
    """Return the material as plain data, to be kept with a part type; `soft_from_data` reads it."""
    form = next(name for name, kind in _FORMS.items() if isinstance(soft.loading, kind))
    data = asdict(soft)
    return {**data, "loading": {"form": form, **data["loading"]}}


def soft_from_data(data: Mapping[str, Any]) -> Soft:
    """Return the material from plain data.

    Raises Inconsistent where a field is missing or unknown.

    >>> soft_from_data({"loading": {"form": "power", "scale": 5e6}, "set_share": 0.2}).set_share
    0.2
    """
    fields = dict(data)
    loading = fields.pop("loading", None)
    if not isinstance(loading, Mapping) or loading.get("form") not in _FORMS:
        raise Inconsistent(f"A curve's form is one of: {', '.join(_FORMS)}.")
    numbers = {name: value for name, value in loading.items() if name != "form"}
    if "points" in numbers:
        numbers["points"] = _as_points(numbers["points"])
    try:
        return Soft(_FORMS[loading["form"]](**numbers), **fields)
    except TypeError as trouble:
        raise Inconsistent(
            f"The curve “{loading['form']}” is not complete: {trouble}."
        ) from trouble


def _as_points(rows: Sequence[Sequence[float]]) -> tuple[tuple[float, float], ...]:
    try:
        return tuple((float(x), float(y)) for x, y in rows)
    except (TypeError, ValueError) as trouble:
        raise Inconsistent("Each point of a curve is two numbers: strain, load.") from trouble
