"""What the nuts' readings make: preloads, their sum, share of the proof load, loss by relaxation.

Only a set or residual torque says what preload is; a breakaway torque does not. Sources: as in
clamping and preload_scatter.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

from service.closing.arithmetic.closing_inputs import ClosingInputs, RodReading
from service.closing.arithmetic.outcome import RodOutcome, RodRelaxation
from service.limits.arithmetic.clamp_figures import ClampFigures
from service.physics.arithmetic.clamping import Preloads, TorqueValue, preloads
from service.physics.arithmetic.preload_scatter import relaxation
from service.physics.arithmetic.rod_stress import rod_stress
from service.physics.arithmetic.threads import strength
from service.platform.arithmetic.estimates import Estimate, combined
from service.platform.arithmetic.vocabulary import ReadingKind
from service.store.arithmetic.instrument_accuracy import instrument_accuracy

PRELOAD_KINDS = (ReadingKind.SET, ReadingKind.RESIDUAL)


def torque_value(reading: RodReading) -> TorqueValue:
    """A reading with its driver's deviation: its own, or the usual one."""
    percent = reading.deviation_percent
    if percent is None:
        percent = instrument_accuracy("torque driver", reading.torque_nm).percent
    return TorqueValue(reading.torque_nm, percent / 100, reading.step_nm)


@dataclass(frozen=True, slots=True)
class NutsRead:
    """The last reading of each nut that gives a preload, by rod; all preloads in N.

    ``own`` leaves out what the nuts share (driver, mean friction).
    """

    readings: tuple[RodReading, ...]
    preloads: Preloads | None
    own: Preloads | None
    without: tuple[str, ...]

    def of_rods(self) -> dict[int, Estimate]:
        """Preload of each rod, with only its own uncertainty."""
        if self.preloads is None or self.own is None:
            return {}
        pairs = zip(self.readings, self.preloads.rods, self.own.rods, strict=True)
        return {it.rod: Estimate(load.value, own.u) for it, load, own in pairs}


def nuts_read(inputs: ClosingInputs, clamp: ClampFigures) -> NutsRead:
    """Which preload has each nut after its last reading?"""
    last: dict[int, RodReading] = {}
    for reading in inputs.readings:
        if reading.kind in PRELOAD_KINDS:
            last[reading.rod] = reading
    found = tuple(last[rod] for rod in sorted(last))
    breakaway = sorted({it.rod for it in inputs.readings if it.kind not in PRELOAD_KINDS})
    without: tuple[str, ...] = ()
    if breakaway:
        rods = ", ".join(map(str, breakaway))
        without = (f"preload from the breakaway torque of rod {rods}: it says none",)
    if not found:
        return NutsRead((), None, None, without)
    values = [torque_value(reading) for reading in found]
    bare = [TorqueValue(value.torque_nm, 0.0, value.step_nm) for value in values]
    return NutsRead(found, preloads(values, clamp.law), preloads(bare, clamp.law_of_each), without)


def rod_outcomes(nuts: NutsRead, clamp: ClampFigures) -> tuple[RodOutcome, ...]:
    """Each nut's preload in N and share of its proof load in %."""
    if nuts.preloads is None:
        return ()
    of, law = clamp.thread_size, clamp.law
    rated = strength(clamp.strength_class, of)
    return tuple(
        RodOutcome(
            reading.rod,
            reading.torque_nm,
            reading.kind,
            reading.pass_number,
            Estimate(load.value, load.u),
            _plain(rod_stress(load, of, rated, law).share_of_proof.scaled(100)),
        )
        for reading, load in zip(nuts.readings, nuts.preloads.rods, strict=True)
    )


def greatest_share(rods: Sequence[RodOutcome]) -> Estimate | None:
    """Share of the proof load of the rod that bears most, %."""
    return max((rod.proof_percent for rod in rods), key=lambda it: it.value, default=None)


@dataclass(frozen=True, slots=True)
class Relaxed:
    """What the nuts lost; ``not_known`` says in words where it cannot be told."""

    rods: tuple[RodRelaxation, ...]
    mean_percent: Estimate | None
    not_known: tuple[str, ...]


def relaxed_rods(inputs: ClosingInputs, clamp: ClampFigures) -> Relaxed:
    """What did each nut lose between its first reading and the re-torque reading?

    The re-torque reading is the first one taken the settling time, or more, after the last one
    before it; it is set against that one, and only where both are of one kind.
    """
    found, not_known = [], []
    for place in sorted(inputs.rods, key=lambda rod: rod.number):
        pair = _pair(inputs, place.number, clamp)
        if pair is None:
            continue
        first, again = pair
        if first.kind is not again.kind:
            not_known.append(
                f"relaxation of rod {place.number}: first read as {first.kind}, then as"
                f" {again.kind} torque, which cannot be compared"
            )
            continue
        found.append(_relaxed(first, again, clamp))
    return Relaxed(tuple(found), _mean([it.lost_percent for it in found]), tuple(not_known))


def _pair(
    inputs: ClosingInputs, rod: int, clamp: ClampFigures
) -> tuple[RodReading, RodReading] | None:
    usable = [it for it in inputs.readings if it.rod == rod and it.kind in PRELOAD_KINDS]
    for first, again in pairwise(usable):
        full = inputs.passes is None or first.pass_number >= inputs.passes
        if full and 0 < clamp.settling_minutes <= again.minutes - first.minutes:
            return first, again
    return None


def _relaxed(first: RodReading, again: RodReading, clamp: ClampFigures) -> RodRelaxation:
    same = bool(first.driver) and first.driver == again.driver
    lost = relaxation(torque_value(first), torque_value(again), clamp.law, same_driver=same)
    return RodRelaxation(
        first.rod,
        first.kind,
        first.torque_nm,
        again.torque_nm,
        again.minutes - first.minutes,
        _plain(lost.lost.scaled(100)),
        _plain(lost.preload_left),
    )


def _mean(lost: Sequence[Estimate]) -> Estimate | None:
    """The mean; what may be common to the nuts is taken as common, the cautious choice."""
    if not lost:
        return None
    count = len(lost)
    return _plain(
        combined(sum(it.value for it in lost) / count, {"all": sum(it.u for it in lost) / count})
    )


def _plain(estimate: Estimate) -> Estimate:
    return Estimate(estimate.value, estimate.u)
