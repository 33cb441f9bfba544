"""How far an instrument may read wrong: an offset, a share of the reading, a share of full scale.

Stated as data sheets and certificates state it, each part optional. Sources: GUM 4.3.7 (± limits as
a rectangular distribution), 6.2 (expanded uncertainty).
"""

from dataclasses import dataclass, replace
from enum import StrEnum
from math import sqrt
from typing import Any

from service.platform.arithmetic.errors import TradeError
from service.platform.arithmetic.units import Measure, from_si, to_si


class Coverage(StrEnum):
    """What a statement ± covers."""

    GREATEST = "greatest deviation"
    EXPANDED = "expanded, k = 2"
    STANDARD = "standard, k = 1"


AS_GREATEST = {Coverage.GREATEST: 1.0, Coverage.EXPANDED: sqrt(3) / 2, Coverage.STANDARD: sqrt(3)}
"""The greatest deviation of the same standard uncertainty, by what a statement covers."""


@dataclass(frozen=True, slots=True)
class ErrorShares:
    """One statement: offset and full scale in a unit, shares in %; None: not stated."""

    of_reading_percent: float | None = None
    offset: float | None = None
    of_full_scale_percent: float | None = None
    full_scale: float | None = None

    @property
    def is_stated(self) -> bool:
        """Say whether anything is stated."""
        shares = (self.of_reading_percent, self.offset, self.of_full_scale_percent)
        return any(share is not None for share in shares)

    def at(self, reading: float) -> float:
        """Return the error at a reading, in its unit.

        >>> ErrorShares(0.5, 0.02, 0.1, 400.0).at(100.0)
        0.92
        """
        of_full_scale = (self.of_full_scale_percent or 0.0) / 100 * (self.full_scale or 0.0)
        return (
            (self.of_reading_percent or 0.0) / 100 * reading + (self.offset or 0.0) + of_full_scale
        )

    def scaled(self, factor: float | None) -> "ErrorShares":
        """Return the same in another unit; None: not known, so only a share of the reading is."""
        if factor is None:
            return ErrorShares(self.of_reading_percent)

        def times(value: float | None) -> float | None:
            return None if value is None else value * factor

        return replace(self, offset=times(self.offset), full_scale=times(self.full_scale))


NOT_STATED = ErrorShares()


@dataclass(frozen=True, slots=True)
class MayBeOff:
    """What is known of one instrument: its sheet's statement ±, and the error it was found with."""

    sheet: ErrorShares = NOT_STATED
    coverage: Coverage = Coverage.GREATEST
    found: ErrorShares = NOT_STATED

    def at(self, reading: float) -> float | None:
        """Return the greatest deviation ± at a reading, in its unit.

        What its sheet allows, or what its calibration found where that is more. None: its sheet
        states nothing, so it is as is usual for its kind.

        >>> MayBeOff(ErrorShares(of_full_scale_percent=0.25, full_scale=400.0)).at(2.0)
        1.0
        """
        if not self.sheet.is_stated:
            return None
        return max(
            AS_GREATEST[self.coverage] * self.sheet.at(abs(reading)), abs(self.found.at(reading))
        )

    @property
    def of_reading_percent(self) -> float | None:
        """The share of the reading alone, %; None: as is usual for its kind."""
        if not self.sheet.is_stated:
            return None
        share = AS_GREATEST[self.coverage] * (self.sheet.of_reading_percent or 0.0)
        return max(share, abs(self.found.of_reading_percent or 0.0))

    def percent_at(self, reading: float) -> float | None:
        """Return the same in % of the reading, which is not zero."""
        off = self.at(reading)
        return None if off is None else 100 * off / abs(reading)

    def in_unit(self, unit: str, other: str, measure: Measure) -> "MayBeOff":
        """Return the same for readings in another unit of a measure."""
        try:
            factor = from_si(to_si(1.0, unit, measure), other, measure)
        except TradeError:
            return replace(self, sheet=self.sheet.scaled(None), found=self.found.scaled(None))
        return replace(self, sheet=self.sheet.scaled(factor), found=self.found.scaled(factor))


UNKNOWN = MayBeOff()


def may_be_off(instrument: Any, found: Any = None) -> MayBeOff:
    """Return what is known of an instrument from its row, and from that of a calibration."""
    return MayBeOff(
        ErrorShares(
            instrument.accuracy_percent,
            instrument.accuracy_offset,
            instrument.accuracy_full_scale_percent,
            instrument.range_most,
        ),
        instrument.accuracy_coverage,
        NOT_STATED if found is None else found_error(found, instrument.range_most),
    )


def found_error(calibration: Any, full_scale: float | None) -> ErrorShares:
    """Return the error a calibration found, shown less true, from its row."""
    return ErrorShares(
        calibration.error_percent,
        calibration.error_offset,
        calibration.error_full_scale_percent,
        full_scale,
    )
