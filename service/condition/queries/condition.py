"""The condition of a stack at one moment and over its hours, chosen out of all that was read.

See `trade.cell_outliers` and `trade.cell_histories` for what the figures mean.
"""

from collections import Counter
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy.orm import Session

from service.condition.arithmetic.cell_histories import (
    MeaHistory,
    OpenFall,
    SpreadAt,
    StackMoment,
    mea_histories,
    moments_near,
    open_falls,
    spread_history,
)
from service.condition.arithmetic.cell_outliers import (
    LIMIT,
    CellScores,
    Spread,
    cell_outliers,
    spread,
)
from service.condition.arithmetic.polarisation import Densities
from service.condition.arithmetic.reference_voltages import checked_reference, is_near
from service.condition.queries.cell_histories import CURVE, SNAPSHOT, StackVoltages, stack_voltages
from service.condition.queries.cell_voltages import CellSnapshot
from service.condition.queries.polarisation_curves import (
    CellCurve,
    ChosenCurve,
    chosen_curve,
    earlier_curve,
)
from service.platform.arithmetic.errors import TradeError
from service.platform.errors import Refused

OFFERED = 40


@dataclass(frozen=True, slots=True)
class ShownMoment:
    """The cells at one moment with their scores; ``no_scores`` says why there are none.

    One of ``snapshot`` and ``curve`` is where it comes from.
    """

    moment: StackMoment
    snapshot: CellSnapshot | None
    curve: CellCurve | None
    scores: CellScores | None
    no_scores: str
    spread: Spread | None
    bridged: tuple[int, ...]
    not_read: tuple[int, ...]
    """cells of the build a channel belongs to, without a value"""


@dataclass(frozen=True, slots=True)
class Offered:
    """A moment that can be shown, without its voltages."""

    key: str
    at: datetime
    hours_h: float | None
    build: int
    density_a_cm2: float | None


@dataclass(frozen=True, slots=True)
class Asked:
    """What somebody wants to see; None and empty: as it comes."""

    moment: str = ""
    density_a_cm2: float | None = None
    curve_id: int | None = None
    against_id: int | None = None
    without_against: bool = False
    densities: Densities | None = None
    limit: float = LIMIT


@dataclass(frozen=True, slots=True)
class Condition:
    """What is known of a stack's condition, each list in the order of time."""

    voltages: StackVoltages
    reference_a_cm2: float | None
    moment_shown: ShownMoment | None
    offered: tuple[Offered, ...]
    """moments to choose from, the newest first"""
    usual: tuple[tuple[float, int], ...]
    """densities readings were taken at, with how many, the most first"""
    near: tuple[StackMoment, ...]
    """moments at the reference density; of very many evenly chosen ones"""
    near_in_all: int
    histories: tuple[MeaHistory, ...]
    spreads: tuple[SpreadAt, ...]
    open_now: ShownMoment | None
    open_histories: tuple[MeaHistory, ...]
    falls: tuple[OpenFall, ...]
    """times without load, the newest first"""
    chosen: ChosenCurve | None


def asked_snapshot(moment: str) -> int | None:
    """Return the number of the snapshot a key names, None where it names none."""
    number = moment[1:]
    is_one = moment.startswith(SNAPSHOT) and number.isdecimal() and len(number) < 18
    return int(number) if is_one else None


def read_condition(
    session: Session, stack_id: int, choice: Asked | None = None, known_at: datetime | None = None
) -> Condition:
    """Read and compute a stack's condition as asked for, as known now or at ``known_at``.

    Raises NotFound for an unknown stack, Refused for a moment, density or curve that is not there.
    """
    choice = choice or Asked()
    density = choice.density_a_cm2
    if density is not None:
        try:
            checked_reference(density)
        except TradeError as trouble:
            raise Refused("density", f"{density:g}", str(trouble)) from trouble
    voltages = stack_voltages(
        session,
        stack_id,
        known_at,
        density_a_cm2=density,
        snapshot_id=asked_snapshot(choice.moment),
    )
    return condition(voltages, choice)


def condition(voltages: StackVoltages, choice: Asked | None = None) -> Condition:
    """Return a stack's condition. Raises Refused as `read_condition` does."""
    choice = choice or Asked()
    reference = voltages.reference_a_cm2
    on_curves = voltages.moments_at(reference) if reference else ()
    near = (
        tuple(sorted((*moments_near(voltages.moments, reference), *on_curves), key=_time))
        if reference
        else ()
    )
    open_ones = tuple(moment for moment in voltages.moments if moment.is_open)
    return Condition(
        voltages,
        reference,
        _chosen_moment(voltages, choice, on_curves),
        _offered(voltages, on_curves),
        _densities(voltages),
        near,
        len(on_curves)
        + sum(is_near(head.density_a_cm2, reference or 0.0) for head in voltages.heads),
        mea_histories(near),
        spread_history(near),
        _moment_shown(voltages, open_ones[-1], choice.limit) if open_ones else None,
        mea_histories(open_ones),
        open_falls(voltages.moments)[::-1],
        _curve(voltages, choice, reference),
    )


def _time(moment: StackMoment) -> tuple[datetime, str]:
    return moment.at, moment.key


def _offered(voltages: StackVoltages, on_curves: tuple[StackMoment, ...]) -> tuple[Offered, ...]:
    loaded = [head for head in voltages.heads if not head.is_open][-OFFERED:]
    offered = [
        Offered(
            f"{SNAPSHOT}{head.id}",
            head.at,
            voltages.hours_at(head.at, head.meter_hours),
            voltages.build_numbers[head.build_id],
            head.density_a_cm2,
        )
        for head in loaded
    ]
    offered += [
        Offered(moment.key, moment.at, moment.hours_h, moment.build, moment.density_a_cm2)
        for moment in on_curves
    ]
    return tuple(
        sorted(offered, key=lambda moment: (moment.at, moment.key), reverse=True)[:OFFERED]
    )


def _densities(voltages: StackVoltages) -> tuple[tuple[float, int], ...]:
    counted = Counter(
        round(head.density_a_cm2, 2)
        for head in voltages.heads
        if head.density_a_cm2 is not None and not head.is_open
    )
    return tuple(counted.most_common(12))


def _chosen_moment(
    voltages: StackVoltages, choice: Asked, on_curves: tuple[StackMoment, ...]
) -> ShownMoment | None:
    """The moment asked for, else the newest under load, else the newest at all."""
    every = (*voltages.moments, *on_curves)
    if not choice.moment:
        newest = [moment for moment in every if not moment.is_open] or every
        last = max(newest, key=_time, default=None)
        return _moment_shown(voltages, last, choice.limit) if last else None
    chosen = next((moment for moment in every if moment.key == choice.moment), None)
    if chosen is None:
        raise Refused(
            "moment", choice.moment, "no such snapshot or curve is known.", "One of the list."
        )
    return _moment_shown(voltages, chosen, choice.limit)


def _moment_shown(voltages: StackVoltages, moment: StackMoment, limit: float) -> ShownMoment:
    kind, key = moment.key[:1], int(moment.key[1:])
    snapshot = next(
        (snapshot for snapshot in voltages.snapshots if kind == SNAPSHOT and snapshot.id == key),
        None,
    )
    curve = next((curve for curve in voltages.curves if kind == CURVE and curve.id == key), None)
    read = {cell: cell_voltage.voltage_v for cell, cell_voltage in moment.cells.items()}
    source = snapshot or curve
    tapped = {cell for cell in source.cells if cell is not None} if source else set()
    bridged = tapped & source.bridged if source else set()
    missing = tapped - read.keys() - bridged
    values: dict[int, float | None] = {**read, **dict.fromkeys(missing)}
    scores, no_scores = None, ""
    try:
        scores = cell_outliers(values, limit)
    except TradeError as trouble:
        no_scores = str(trouble)
    return ShownMoment(
        moment,
        snapshot,
        curve,
        scores,
        no_scores,
        spread(read) if len(read) > 1 else None,
        tuple(sorted(bridged)),
        tuple(sorted(missing)),
    )


def _curve(voltages: StackVoltages, choice: Asked, reference: float | None) -> ChosenCurve | None:
    if not voltages.curves or reference is None:
        return None
    curve = _curve_of_id(voltages, choice.curve_id, "curve") or voltages.curves[-1]
    against = _curve_of_id(voltages, choice.against_id, "against")
    if against is None and not choice.without_against:
        against = earlier_curve(voltages.curves, curve)
    return chosen_curve(curve, against, reference, choice.densities)


def _curve_of_id(voltages: StackVoltages, curve_id: int | None, field: str) -> CellCurve | None:
    if curve_id is None:
        return None
    curve_of_id = next((curve for curve in voltages.curves if curve.id == curve_id), None)
    if curve_of_id is None:
        raise Refused(field, curve_id, "no such curve of this stack is known.", "One of the list.")
    return curve_of_id
