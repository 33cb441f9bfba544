"""A pile of real parts as cells, coolant layers and plates to be clamped; what is lacking for it.

Each cell is its MEA (or blank cell) with its gas gaskets. The frame between two gaskets is a rigid
layer, and gap and recess count from its faces. Common practice, no source.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from math import hypot, inf

import numpy as np

from service.closing.arithmetic.closing_inputs import ClosingInputs, ClosingType, Placed
from service.limits.arithmetic.clamp_figures import ClampFigures
from service.physics.arithmetic.clamped_parts import Assembly, RigidLayer, Rods
from service.physics.arithmetic.gap_balance import BedOf, Gap, GasketOf
from service.physics.arithmetic.part_stiffness import Bed, Disc, Seal, Stiff
from service.platform.arithmetic.errors import Inconsistent, TradeError
from service.platform.arithmetic.material_curves import Points, Soft
from service.platform.arithmetic.vocabulary import Joint, Kind

# Two gaskets that lie one upon the other in one gap, as one gasket across the whole gap.
#
# Source: springs in series.


# Chosen: the squeeze read off straight lines between the points is within 3e-5.
_STEPS = 150


def in_series(gaskets: tuple[Seal, ...]) -> Seal:
    """Return the one gasket that answers like these, pressed by one force.

    Heights and grooves add up; of one type their uncertainties too (one lot), of two types by
    squares. Raises Inconsistent for more than two, and for two that come back differently when
    they are unloaded.
    """
    if len(gaskets) == 1:
        return gaskets[0]
    if len(gaskets) != 2:
        raise Inconsistent(f"{len(gaskets)} gas gaskets lie in one cell; two at most can.")
    gasket, two = gaskets
    height = gasket.height_mm + two.height_mm
    alike = gasket.soft == two.soft and gasket.length_mm == two.length_mm
    if gasket == two:
        return replace(
            gasket,
            height_mm=height,
            groove_depth_mm=2 * gasket.groove_depth_mm,
            u_height_mm=2 * gasket.u_height_mm,
        )
    return Seal(
        gasket.soft if alike else _soft(gasket, two),
        height,
        gasket.groove_depth_mm + two.groove_depth_mm,
        gasket.length_mm,
        (gasket.expansion_1_k * gasket.height_mm + two.expansion_1_k * two.height_mm) / height,
        hypot(gasket.u_height_mm, two.u_height_mm),
    )


def _soft(curve: Seal, two: Seal) -> Soft:
    """The curve of both: line load on the first one's length against their common squeeze."""
    if (curve.soft.set_share, curve.soft.unloading_exponent) != (
        two.soft.set_share,
        two.soft.unloading_exponent,
    ):
        raise Inconsistent(
            "The two gas gaskets come back differently when they are unloaded: no common curve."
        )
    longer = two.length_mm / curve.length_mm
    steps = np.linspace(0.0, 1.0, _STEPS) ** 2  # finer where the curves bend most
    first, second = curve.soft.loading.greatest * steps, two.soft.loading.greatest * steps
    of_first = curve.soft.loading.load(first)
    of_second = two.soft.loading.load(second) * longer
    # One force through both: at each load their squeezes, weighted by height, add up. The common
    # curve ends where the weaker one does; loads nearer than 1e-9 would give points that do not
    # rise.
    most = min(of_first[-1], of_second[-1])
    loads = np.unique(np.concatenate([of_first, of_second]))
    loads = loads[loads <= most]
    loads = loads[np.diff(loads, prepend=-most) > 1e-9 * most]
    squeeze = (
        np.interp(loads, of_first, first) * curve.height_mm
        + np.interp(loads, of_second, second) * two.height_mm
    ) / (curve.height_mm + two.height_mm)
    u = max(curve.soft.u_relative, two.soft.u_relative)
    points = tuple(zip(squeeze.tolist(), loads.tolist(), strict=True))
    return Soft(Points(points), curve.soft.set_share, curve.soft.unloading_exponent, u)


CENTRES = {Kind.MEA, Kind.BLANK_CELL}
FRAMES = "frames between gaskets"


@dataclass(frozen=True, slots=True)
class Built:
    """The stack to be clamped, or what is lacking; ``cells`` are the numbers of its gaps' cells.

    ``frames_m`` are the frames of those cells, to be added to the gaps. ``no_expansion`` are part
    types whose answer to warmth is not known.
    """

    assembly: Assembly | None
    cells: tuple[int, ...]
    frames_m: tuple[float, ...]
    lacking: tuple[str, ...]
    no_expansion: tuple[str, ...]


@dataclass(slots=True)
class _Work:
    """What was gathered so far."""

    lacking: dict[str, None] = field(default_factory=dict)
    no_expansion: dict[str, None] = field(default_factory=dict)

    def lacks(self, subject: str) -> None:
        self.lacking[subject] = None


def build(inputs: ClosingInputs, clamp: ClampFigures) -> Built:
    """Return the stack that is clamped. Nothing is invented: what is not known is named."""
    work = _Work()
    placed = inputs.pile.placed()
    cells, numbers, frames = _cells(placed, inputs, clamp, work)
    coolant = _coolant(placed, clamp, work)
    half_plates = _rigid([layer for layer in placed if layer.type.kind is Kind.HALF_PLATE], work)
    ends = _rigid([layer for layer in placed if _is_end(layer)], work)
    plates = _rigid(inputs.pile.placed_plates(), work)
    if not inputs.pile.plates:
        work.lacks("compression plates: none is known, so neither height nor grip is")
    rods = _rods(inputs, clamp, work)
    assembly = None
    if not numbers:
        work.lacks("the pile holds no cell to be pressed")
    elif not work.lacking and rods is not None:
        whole = (*ends, *plates, *_frame_layers(frames))
        assembly = Assembly(cells, rods, half_plates, coolant, whole)
    return Built(assembly, numbers, frames, tuple(work.lacking), tuple(work.no_expansion))


def _is_end(part: Placed) -> bool:
    return part.type.kind in {Kind.CURRENT_COLLECTOR, Kind.INSULATOR_PLATE}


def _rods(inputs: ClosingInputs, clamp: ClampFigures, work: _Work) -> Rods | None:
    stiffness = None if inputs.disc is None else inputs.disc.stiffness
    disc = stiffness if isinstance(stiffness, Disc) else None
    if clamp.has_discs and disc is None:
        name = inputs.disc.name if inputs.disc else "none is named"
        work.lacks(f"disc springs ({name}): their diameters, thickness and cone height")
        return None
    try:
        return clamp.rods(len(inputs.rods), inputs.rod_length_mm, disc)
    except TradeError as trouble:
        work.lacks(str(trouble).rstrip("."))
        return None


Alike = tuple[ClosingType, float | None, float]
Key = tuple[Alike, tuple[Alike, ...]]


def _alike(part: Placed) -> Alike:
    """What makes two parts answer alike."""
    return part.type, part.measured_mm, part.seen_percent


def _cells(
    placed: Sequence[Placed], inputs: ClosingInputs, clamp: ClampFigures, work: _Work
) -> tuple[tuple[Gap, ...], tuple[int, ...], tuple[float, ...]]:
    centres = {layer.cell: layer for layer in placed if layer.type.kind in CENTRES}
    gaskets: dict[int | None, list[Placed]] = {}
    for part in placed:
        if part.type.kind is Kind.GASKET and part.type.joint is not Joint.COOLANT:
            gaskets.setdefault(part.cell, []).append(part)
    for cell in gaskets:
        if cell not in centres:
            work.lacks(f"a gas gasket ({gaskets[cell][0].type.name}) lies in no cell")
    gaps: list[Gap] = []
    numbers: list[int] = []
    frames: list[float] = []
    by_key: dict[Key, tuple[Gap | None, float]] = {}
    for cell, centre in centres.items():
        around = tuple(_alike(layer) for layer in gaskets.get(cell, ()))
        key = (_alike(centre), around)
        if key not in by_key:
            by_key[key] = _cell(
                cell,
                centre,
                gaskets.get(cell, ()),
                area_m2=inputs.active_area_cm2 / 1e4,
                stop=clamp.stop_gap_mm,
                work=work,
            )
        gap, frame = by_key[key]
        if cell is None:
            work.lacks(f"{centre.type.name}: it has no cell number")
        elif gap is not None:
            gaps.append(gap)
            numbers.append(cell)
            frames.append(frame)
        elif frame:
            frames.append(frame)
    return tuple(gaps), tuple(numbers), tuple(frames)


def _cell(
    cell: int | None,
    centre: Placed,
    around: Sequence[Placed],
    *,
    area_m2: float,
    stop: float,
    work: _Work,
) -> tuple[Gap | None, float]:
    """The gap of one cell and the frame within it, m; no gap where something is lacking.

    ``stop`` is the gap at the hard stop in mm.
    """
    seals = [seal for layer in around if (seal := _seal(layer, work)) is not None]
    stiffness, bed = centre.type.stiffness, None
    if isinstance(stiffness, Bed):
        frame = stiffness.frame_mm if around else 0.0
        bed = BedOf(
            stiffness.soft,
            (centre.measured_mm or stiffness.free_thickness_mm) / 1e3,
            area_m2,
            (stiffness.recess_mm + frame) / 1e3,
            greatest_strain=centre.seen_percent / 100,
            u_thickness_m=stiffness.u_thickness_mm / 1e3,
            expansion_1_k=stiffness.expansion_1_k,
        )
    elif isinstance(stiffness, Stiff) and around:
        frame = centre.measured_mm or centre.type.thickness_mm
    else:
        lacks = "stress against strain and free thickness"
        if centre.type.kind is Kind.BLANK_CELL:
            lacks = "how it is pressed, or that it is stiff and lies between gaskets"
        work.lacks(f"{centre.type.kind} {centre.type.name}: {lacks}")
        return None, 0.0
    if len(seals) < len(around):
        return None, frame / 1e3
    try:
        gasket = _gasket(tuple(seals), max((layer.seen_percent for layer in around), default=0.0))
        return Gap(gasket, bed, max(stop - frame, 0.0) / 1e3), frame / 1e3
    except TradeError as trouble:
        work.lacks(f"cell {cell}: {str(trouble).rstrip('.')}")
        return None, frame / 1e3


def _seal(part: Placed, work: _Work) -> Seal | None:
    """The gasket, with its own height where it was measured."""
    stiffness = part.type.stiffness
    if not isinstance(stiffness, Seal):
        work.lacks(f"gasket {part.type.name}: line load against squeeze, height and length")
        return None
    if part.measured_mm is None:
        return stiffness
    try:
        return Seal(
            stiffness.soft,
            part.measured_mm,
            stiffness.groove_depth_mm,
            stiffness.length_mm,
            stiffness.expansion_1_k,
            stiffness.u_height_mm,
        )
    except TradeError as trouble:
        work.lacks(f"gasket {part.type.name}: {str(trouble).rstrip('.')}")
        return None


def _gasket(seals: tuple[Seal, ...], seen_percent: float) -> GasketOf | None:
    """Gaskets in series as one; of what they have seen the most counts."""
    if not seals:
        return None
    whole = in_series(seals)
    return GasketOf(
        whole.soft,
        whole.height_mm / 1e3,
        whole.groove_depth_mm / 1e3,
        whole.length_mm / 1e3,
        greatest_squeeze=seen_percent / 100,
        u_height_m=whole.u_height_mm / 1e3,
        expansion_1_k=whole.expansion_1_k,
    )


def _coolant(placed: Sequence[Placed], clamp: ClampFigures, work: _Work) -> tuple[Gap, ...]:
    gaps: list[Gap] = []
    by_key: dict[Alike, Gap | None] = {}
    stop = clamp.coolant_stop_gap_mm / 1e3
    for part in placed:
        if part.type.kind is not Kind.GASKET or part.type.joint is not Joint.COOLANT:
            continue
        key = _alike(part)
        if key not in by_key:
            seal = _seal(part, work)
            try:
                by_key[key] = (
                    None if seal is None else Gap(_gasket((seal,), part.seen_percent), None, stop)
                )
            except TradeError as trouble:
                work.lacks(f"coolant gasket {part.type.name}: {str(trouble).rstrip('.')}")
                by_key[key] = None
        gap = by_key[key]
        if gap is not None:
            gaps.append(gap)
    return tuple(gaps)


def _rigid(parts: Sequence[Placed], work: _Work) -> tuple[RigidLayer, ...]:
    """Plates as rigid layers, those alike together."""
    counted: dict[tuple[ClosingType, float], int] = {}
    for part in parts:
        key = (part.type, part.measured_mm or part.type.thickness_mm)
        if not key[1]:
            work.lacks(f"{part.type.kind} {part.type.name}: its thickness")
        counted[key] = counted.get(key, 0) + 1
    layers = []
    for (of, thickness), count in counted.items():
        stiff = of.stiffness if isinstance(of.stiffness, Stiff) else None
        if stiff is None:
            work.no_expansion[f"{of.kind} {of.name}"] = None
        stiff = stiff or Stiff()
        layers.append(
            RigidLayer(
                of.name,
                thickness / 1e3,
                count,
                inf if stiff.modulus_gpa is None else stiff.modulus_gpa * 1e9,
                1.0 if stiff.bearing_cm2 is None else stiff.bearing_cm2 / 1e4,
                stiff.expansion_1_k,
                stiff.u_thickness_mm / 1e3,
            )
        )
    return tuple(layers)


def _frame_layers(frames_m: Sequence[float]) -> tuple[RigidLayer, ...]:
    counted: dict[float, int] = {}
    for frame in frames_m:
        if frame:
            counted[frame] = counted.get(frame, 0) + 1
    return tuple(RigidLayer(FRAMES, frame, count) for frame, count in counted.items())
