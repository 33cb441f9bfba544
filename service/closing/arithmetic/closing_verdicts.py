"""A computed closing against the limits of its design, or of another version of them.

Source of the verdicts: verdicts.
"""

from dataclasses import replace

from service.closing.arithmetic.outcome import ClosingOutcome
from service.limits.arithmetic.figures import DesignFigures
from service.limits.arithmetic.limits import (
    Judged,
    Quantity,
    ValueToJudge,
    judge_limits,
    missing_quantities,
    worst_of,
)
from service.platform.arithmetic.verdicts import Verdict


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
        of = "the rod that bears most" if outcome.is_complete else f"so far, {outcome.nuts_read}"
        values.append(ValueToJudge(Quantity.SHARE_OF_PROOF, outcome.proof_percent, of))
    if outcome.map is not None:
        values.append(ValueToJudge(Quantity.PRESSURE_RATIO, outcome.map.ratio, "active area"))
    if closed is not None:
        if closed.protrusion_mm is not None:
            values.append(ValueToJudge(Quantity.PROTRUSION, closed.protrusion_mm))
        values.append(ValueToJudge(Quantity.CLOSED_HEIGHT, closed.closed_height_mm))
    return tuple(values)


def judge_closing(outcome: ClosingOutcome, figures: DesignFigures) -> tuple[Judged, ...]:
    """Judge a closing by these figures' limits, also one computed under others."""
    return judge_limits(values_of(outcome), figures.limits)


def judged_by(outcome: ClosingOutcome, figures: DesignFigures) -> ClosingOutcome:
    """Return the closing with its verdicts; a limit without a value leaves the whole undecided."""
    judged = judge_closing(outcome, figures)
    missing = missing_quantities(judged, figures.limits)
    verdict = worst_of(judged)
    if verdict is Verdict.PASS and (missing or not outcome.is_complete):
        verdict = Verdict.UNDECIDED
    sentences = [f"verdict on the {quantity}: it has a limit, but no value" for quantity in missing]
    not_computed = (*outcome.not_computed, *sentences)
    return replace(outcome, judged=judged, verdict=verdict, not_computed=not_computed)
