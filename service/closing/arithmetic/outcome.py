"""What the arithmetic of a closing gives: figures in the units people use.

JSON of the form “closing outcome 1”. An `Estimate` here holds value and standard uncertainty;
lists of cells are columns. Common practice, no source.
"""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from typing import Any

from service.closing.arithmetic.corner_heights import CornersOutcome
from service.closing.arithmetic.held_closings import Held
from service.limits.arithmetic.figures import DesignFigures
from service.limits.arithmetic.limits import (
    Judged,
    Quantity,
    ValueToJudge,
    judge_limits,
    missing_quantities,
    worst_of,
)
from service.platform.arithmetic.estimates import Estimate, written
from service.platform.arithmetic.plain_data import check_form, from_data, with_form
from service.platform.arithmetic.verdicts import Verdict
from service.platform.arithmetic.vocabulary import ReadingKind

FORM = "closing outcome 1"
DIGITS = 9
"""Digits kept of each number: far more than is known, few enough to be the same everywhere."""


@dataclass(frozen=True, slots=True)
class RodOutcome:
    """One nut's last reading and what it makes: preload in N, share of the proof load in %."""

    number: int
    torque_nm: float
    kind: ReadingKind
    pass_number: int
    preload_n: Estimate
    proof_percent: Estimate


@dataclass(frozen=True, slots=True)
class GapColumns:
    """Cells or coolant layers, one entry each: pressures MPa, line loads N/mm, gaps mm, shares %.

    ``numbers`` are those of the cells, from the fixed end.
    """

    numbers: tuple[int, ...]
    gap_mm: tuple[float, ...]
    gdl_pressure_mpa: tuple[float, ...]
    u_gdl_pressure_mpa: tuple[float, ...]
    gdl_strain_percent: tuple[float, ...]
    line_load_n_mm: tuple[float, ...]
    u_line_load_n_mm: tuple[float, ...]
    squeeze_percent: tuple[float, ...]
    share_gdl_percent: tuple[float, ...]
    share_gasket_percent: tuple[float, ...]
    on_stop: tuple[bool, ...]


@dataclass(frozen=True, slots=True)
class OfCell:
    """A value of one cell."""

    cell: int
    value: Estimate


@dataclass(frozen=True, slots=True)
class ClosedOutcome:
    """The closed state. ``gdl_parts`` name what makes the GDL pressure uncertain, MPa each."""

    gdl_pressure_mpa: Estimate | None
    gdl_parts: tuple[tuple[str, float], ...]
    least_gdl_mpa: OfCell | None
    greatest_gdl_mpa: OfCell | None
    line_load_n_mm: Estimate | None
    closed_height_mm: Estimate
    protrusion_mm: Estimate | None
    grip_mm: float
    rod_stretch_mm: float
    spring_travel_mm: float
    spring_travel_percent: float | None
    nut_travel_mm: float
    nut_turn_deg: float
    stiffness_n_mm: float
    cells: GapColumns
    coolant: GapColumns


@dataclass(frozen=True, slots=True)
class WarmOutcome:
    """The clamp at the running temperature: before and after, N, MPa and N/mm."""

    from_c: float
    to_c: float
    force_before_n: float
    force_after_n: float
    gdl_before_mpa: float | None
    gdl_after_mpa: float | None
    line_load_before_n_mm: float | None
    line_load_after_n_mm: float | None
    height_change_mm: float


@dataclass(frozen=True, slots=True)
class RodRelaxation:
    """What one nut lost between two readings of one kind: share of the preload in %, N left."""

    number: int
    kind: ReadingKind
    first_nm: float
    again_nm: float
    minutes: float
    lost_percent: Estimate
    preload_left_n: Estimate


@dataclass(frozen=True, slots=True)
class MapOutcome:
    """Pressure over the active area, MPa; lengths mm. Rows of ``pressures_mpa`` from −y to +y."""

    area_mm: tuple[float, float]
    resultant_mm: tuple[float, float]
    mean_mpa: float
    least_mpa: float
    greatest_mpa: float
    ratio: Estimate
    deviation_mpa: float
    lost_percent: float
    corners_mpa: tuple[Estimate, ...]
    xs_mm: tuple[float, ...]
    ys_mm: tuple[float, ...]
    pressures_mpa: tuple[tuple[float, ...], ...]


@dataclass(frozen=True, slots=True)
class Turn:
    """How far one nut is turned to level the plate: degrees, more than zero to tighten."""

    number: int
    load_n: float
    wanted_n: float
    turn_deg: float
    torque_nm: float | None
    expanded_n: float = 0.0
    """how far (k = 2) the reading leaves open what this nut alone bears"""


@dataclass(frozen=True, slots=True)
class LevellingOutcome:
    """Advice drawn from torques alone, as closings kept before had it: no longer given.

    Every nut's turn, greatest first; the one nut to begin with and what its turn alone does.

    ``off_expanded_mm`` is how far (k = 2) the readings leave open where the loads' sum acts.
    """

    turns: tuple[Turn, ...]
    first: int
    first_turn_deg: float
    off_before_mm: float
    off_after_mm: float
    off_expanded_mm: float = 0.0


@dataclass(frozen=True, slots=True)
class WantedOutcome:
    """The torque on each nut, N·m, for the middle of the limits of the GDL pressure, MPa."""

    gdl_pressure_mpa: float
    torque_nm: Estimate
    force_n: float


@dataclass(frozen=True, slots=True)
class ClosingOutcome:
    """All that a closing gives; what could not be computed is None and named in words."""

    rods_count: int
    rods_read: int
    rods: tuple[RodOutcome, ...]
    force_n: Estimate | None
    proof_percent: Estimate | None
    closed: ClosedOutcome | None
    warm: WarmOutcome | None
    relaxation: tuple[RodRelaxation, ...]
    mean_lost_percent: Estimate | None
    map: MapOutcome | None
    levelling: LevellingOutcome | None
    wanted: WantedOutcome | None
    judged: tuple[Judged, ...]
    verdict: Verdict | None
    limits: str
    formulas: tuple[str, ...]
    not_computed: tuple[str, ...]
    remarks: tuple[str, ...]
    pass_number: int | None = None
    """the pass being read; None where none was"""
    read_in_pass: int = 0
    passes: int | None = None
    is_last_pass_read: bool = True
    """whether every nut was read in the design's last pass: before, nothing is judged"""
    corners: tuple[CornersOutcome, ...] = ()
    """spread and tilt of the heights at the corners, by pass"""
    held: Held | None = None
    """closed to height or by press force: the nuts' torques do not rule"""
    rods_pressed: int = 0
    """nuts not read, but tightened by a click tool"""

    @property
    def corners_now(self) -> CornersOutcome | None:
        """The heights measured in the pass that was tightened last; None where none were."""
        last = self.corners[-1] if self.corners else None
        return last if last and last.pass_number >= (self.pass_number or 0) else None

    @property
    def is_complete(self) -> bool:
        """Say whether every nut has a reading that gives its preload."""
        return self.held is not None or self.rods_read == self.rods_count > 0

    @property
    def nuts_read(self) -> str:
        """How many nuts are read in the pass that is being read, in words."""
        if self.held is not None and not self.rods_read:
            return f"closed {self.held.mode}, {self.rods_count} nuts run down to hold"
        done = "tightened" if self.rods_pressed else "read"
        if self.pass_number is None or self.passes is None:
            return f"{self.rods_read} of {self.rods_count} nuts {done}"
        of = f" of {self.passes}" if self.pass_number <= self.passes else ""
        return (
            f"{self.read_in_pass} of {self.rods_count} nuts {done} in pass {self.pass_number}{of}"
        )


def outcome_as_data(outcome: ClosingOutcome) -> dict[str, Any]:
    """Return plain data, numbers with `DIGITS` digits; `outcome_from_data` reads it."""
    return {name: _rounded(value) for name, value in with_form(FORM, outcome).items()}


def outcome_from_data(data: Mapping[str, Any]) -> ClosingOutcome:
    """Return a closing from plain data. Raises Inconsistent or OutOfRange naming the field."""
    return from_data(ClosingOutcome, check_form(FORM, data), "the closing's outcome")


def _rounded(value: Any) -> Any:
    if isinstance(value, float):
        return float(f"{value:.{DIGITS}g}") + 0.0
    if isinstance(value, dict):
        return {name: _rounded(inner) for name, inner in value.items()}
    return [_rounded(inner) for inner in value] if isinstance(value, list) else value


# A computed closing against the limits of its design, or of another version of them.
#
# Source of the verdicts: verdicts.


OVER_BOTH_PLATES = "over both compression plates, pressed"
"""What a closed height includes, wherever one is named."""


def values_of(outcome: ClosingOutcome) -> tuple[ValueToJudge, ...]:
    """Return the values of a closing that limits can be set for."""
    closed, values = outcome.closed, []
    if closed is not None and closed.gdl_pressure_mpa is not None:
        values.append(
            ValueToJudge(Quantity.GDL_PRESSURE, closed.gdl_pressure_mpa, "mean of the cells")
        )
        for word, figure in (
            ("least", closed.least_gdl_mpa),
            ("greatest", closed.greatest_gdl_mpa),
        ):
            if figure is not None:
                values.append(
                    ValueToJudge(Quantity.GDL_PRESSURE, figure.value, f"{word}, cell {figure.cell}")
                )
    if closed is not None and closed.line_load_n_mm is not None:
        values.append(ValueToJudge(Quantity.LINE_LOAD, closed.line_load_n_mm, "mean of the cells"))
    if outcome.proof_percent is not None:
        of = "the rod that bears most" if outcome.is_complete else "so far"
        values.append(ValueToJudge(Quantity.SHARE_OF_PROOF, outcome.proof_percent, of))
    if outcome.map is not None:
        values.append(ValueToJudge(Quantity.PRESSURE_RATIO, outcome.map.ratio, "active area"))
    if closed is not None:
        if closed.protrusion_mm is not None:
            values.append(ValueToJudge(Quantity.PROTRUSION, closed.protrusion_mm))
        values.append(
            ValueToJudge(Quantity.CLOSED_HEIGHT, closed.closed_height_mm, OVER_BOTH_PLATES)
        )
    if outcome.corners_now is not None:
        corners, of = outcome.corners_now, f"measured, pass {outcome.corners_now.pass_number}"
        values.append(ValueToJudge(Quantity.CORNER_SPREAD, corners.spread_mm, of))
        values.append(ValueToJudge(Quantity.TILT, corners.tilt_mm, of))
    return tuple(values)


def judge_closing(outcome: ClosingOutcome, figures: DesignFigures) -> tuple[Judged, ...]:
    """Judge a closing by these figures' limits, also one computed under others."""
    return judge_limits(values_of(outcome), figures.limits)


def judged_by(outcome: ClosingOutcome, figures: DesignFigures) -> ClosingOutcome:
    """Return the closing with its verdicts; a limit without a value leaves the whole undecided.

    So does all of it until every nut is read in the last pass.
    """
    judged = judge_closing(outcome, figures)
    if not outcome.is_last_pass_read:
        waiting = tuple(replace(value, verdict=Verdict.UNDECIDED) for value in judged)
        why = f"verdicts: they come when every nut is read in pass {outcome.passes}"
        return replace(
            outcome,
            judged=waiting,
            verdict=Verdict.UNDECIDED if waiting else None,
            not_computed=(*outcome.not_computed, why),
        )
    missing = missing_quantities(judged, figures.limits)
    verdict = worst_of(judged)
    if verdict is Verdict.PASS and (missing or not outcome.is_complete):
        verdict = Verdict.UNDECIDED
    sentences = [f"verdict on the {quantity}: it has a limit, but no value" for quantity in missing]
    not_computed = (*outcome.not_computed, *sentences)
    return replace(outcome, judged=judged, verdict=verdict, not_computed=not_computed)


# The same closing from corrected facts: what it makes another than it was.


CLAMP = "limits of the closed clamp"


def outcome_changes(
    before: ClosingOutcome | None, after: ClosingOutcome
) -> Iterator[tuple[str, str, str]]:
    """Return the verdict, then each value that reads otherwise: what, before and after in words.

    ``before`` None: it can no longer be read.
    """
    was = before.verdict if before else None
    yield CLAMP, str(was or "none"), str(after.verdict or "none")
    old, new = (_in_words(outcome) if outcome else {} for outcome in (before, after))
    for key in dict.fromkeys((*old, *new)):
        if old.get(key) != new.get(key):
            yield key, old.get(key, "–"), new.get(key, "–")


def _in_words(outcome: ClosingOutcome) -> dict[str, str]:
    verdicts = {(each.quantity, each.of): each.verdict for each in outcome.judged}
    words = {}
    for each in values_of(outcome):
        number, expanded = written(each.value)
        text = f"{number} ± {expanded}" if each.value.u else f"{each.value.value:.6g}"
        text = f"{text} {each.quantity.unit}".rstrip().replace("-", "\u2212")
        verdict = verdicts.get((each.quantity, each.of))
        of, _comma, cell = each.of.partition(", cell ")
        place = f" in cell {cell}" if cell else ""
        name = f"{each.quantity}, {of}" if of else str(each.quantity)
        words[name] = f"{text}{place}: {verdict}" if verdict else f"{text}{place}"
    return words
