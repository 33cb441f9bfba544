"""The steps of a changeover in their order, each with the topics of the cautions it calls for."""

from collections.abc import Iterator
from dataclasses import dataclass
from enum import StrEnum

from service.designs.arithmetic.grammar_text import cells as cells_in_words
from service.planning.arithmetic.ways import Way
from service.platform.arithmetic.vocabulary import End


class Caution(StrEnum):
    """Topics of the cautions; their wording stands where they are shown."""

    HYDROGEN = "hydrogen"
    STORED_CHARGE = "stored charge and shorted cells"
    HOT_COOLANT = "residual hot coolant and water"
    CLAMP_ENERGY = "stored clamp energy"
    DUST_AND_MEMBRANES = "graphite dust and membranes"
    TEST_PRESSURE = "test pressure"


@dataclass(frozen=True, slots=True)
class Step:
    """One step, counted from 1."""

    number: int
    text: str
    cautions: tuple[Caution, ...] = ()


@dataclass(frozen=True, slots=True)
class Work:
    """What the steps tell of: lengths in mm, layers of the old and the new pile."""

    way: Way
    layers_before: int
    layers_after: int
    cells_before: int
    cells_after: int
    renewed: int
    picked: int
    height_mm: float | None
    protrusion_mm: float | None


def steps(work: Work) -> tuple[Step, ...]:
    """Return what is done, one step after the other.

    Source: common practice, no source.
    """
    return tuple(
        Step(number, text, cautions) for number, (text, cautions) in enumerate(_told(work), 1)
    )


def _told(work: Work) -> Iterator[tuple[str, tuple[Caution, ...]]]:
    energy, dust = (Caution.CLAMP_ENERGY,), (Caution.DUST_AND_MEMBRANES,)
    if work.picked:
        yield f"Lay out the {work.picked} new parts of the pick list and scan each.", ()
    yield (
        "Go through the make-safe checklist line by line.",
        (Caution.HYDROGEN, Caution.STORED_CHARGE, Caution.HOT_COOLANT),
    )
    yield "Note the hours, the height at the corners and the torques as found.", ()
    yield "Draw an orientation line down one edge of the pile.", ()
    yield "Loosen the nuts backwards crosswise, in small equal steps, until all are free.", energy
    for number, end in enumerate(work.way.ends):
        if number:
            yield "Cover the open pile, secure it and turn the stack over.", (*dust, *energy)
        yield f"Take the compression plate off at the {end}.", energy
        if text := _lifting(work, end):
            yield text, (*dust, Caution.HOT_COOLANT)
        if work.renewed and not number:
            yield f"Put the {work.renewed} parts to be renewed aside for good.", ()
        if text := _stacking(work, end):
            yield text, dust
    yield "Look that every rod has its sleeve, then put the compression plate and nuts on.", ()
    yield "Tighten the nuts crosswise in passes, then once round; read each torque.", energy
    yield _measuring(work), ()
    yield "Check the insulation of the rods and the cells for shorts.", (Caution.STORED_CHARGE,)
    yield "Test the three circuits for tightness.", (Caution.TEST_PRESSURE,)
    if work.cells_before != work.cells_after:
        cells = f"{cells_in_words(work.cells_after)} (before: {work.cells_before})"
        text = f"Set the gas, coolant and voltage set points for {cells}."
        yield text, (Caution.HYDROGEN,)
    yield "Hand in the record.", ()


def _measuring(work: Work) -> str:
    computed = "Measure the height of the pile"
    if work.height_mm is not None:
        computed += f" (computed {work.height_mm:.1f}\u2009mm)"
    computed += " and the thread out of each nut"
    if work.protrusion_mm is not None:
        computed += f" (computed {work.protrusion_mm:.1f}\u2009mm)"
    return f"{computed}."


def _lifting(work: Work, end: End) -> str:
    kept, before = work.way.kept, work.layers_before
    if end is End.FREE:
        first, last = before, kept.stop + 1
    else:
        first, last = 1, kept.start
    if kept.start == kept.stop:
        first, last = (before, 1) if end is End.FREE else (1, before)
    number = abs(last - first) + 1
    if (end is End.FREE and last > first) or (end is End.FIXED and last < first):
        return ""
    which = f"layers {first} to {last}" if number > 1 else f"layer {first}"
    return f"Lift off {which}, one at a time; note what is seen on each."


def _stacking(work: Work, end: End) -> str:
    kept, after = work.way.kept, work.layers_after
    if kept.start == kept.stop:
        first, last = (1, after) if end is End.FREE else (after, 1)
    elif end is End.FREE:
        first, last = kept.stop + kept.shift + 1, after
    else:
        first, last = kept.start + kept.shift, 1
    if (end is End.FREE and first > last) or (end is End.FIXED and first < last):
        return ""
    which = f"layers {first} to {last}" if first != last else f"layer {first}"
    return f"Put on {which} of the new pile in this order."
