"""The closing of a record: what it was computed from, what was kept, what would come out today.

What is computed again stands beside what was kept and never takes its place.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, fields, replace

from fastapi import APIRouter, Request, Response
from sqlalchemy.orm import Session

from service.closing.arithmetic.closing_inputs import ClosingInputs, ClosingType, RodReading
from service.closing.pages.sheets import ClosingSheet, Line, by_place, closing_sheet, shown
from service.closing.queries.closing_inputs import DesignSizes, design_sizes
from service.closing.queries.closing_results import (
    KeptResult,
    closing_again,
    counting,
    kept_results,
)
from service.limits.arithmetic.figures_fields import FIELDS
from service.limits.arithmetic.figures_form import to_form
from service.people.pages.signing_in import Database, Me
from service.physics.arithmetic.part_stiffness import Bed, PartStiffness
from service.platform.arithmetic.curve_text import CurveOf, write_curve
from service.platform.arithmetic.dates import PRESENT, AsOf
from service.platform.arithmetic.material_curves import Soft
from service.platform.arithmetic.plain_data import spoken
from service.platform.arithmetic.verdicts import Verdict
from service.platform.database import reading
from service.platform.pages.forms import Number
from service.platform.pages.render import page
from service.platform.permissions import Act, need
from service.records.queries.records import RecordHead, record_head

# What a closing was computed from, as tables: part types, measured parts, readings, figures.


@dataclass(frozen=True, slots=True)
class TypeGiven:
    """One part type: how many of it, its thickness, and in words what it gives under load."""

    kind: str
    name: str
    count: int
    thickness_mm: float | None
    gives: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class MeasuredGiven:
    """One part with its own thickness, mm; ``where`` says where it lies."""

    where: str
    name: str
    thickness_mm: float


@dataclass(frozen=True, slots=True)
class FigureGiven:
    """One figure or limit of the design."""

    section: str
    label: str
    value: str
    unit: str


@dataclass(frozen=True, slots=True)
class Given:
    """Everything a closing was computed from."""

    types: tuple[TypeGiven, ...]
    measured: tuple[MeasuredGiven, ...]
    seen: str
    readings: tuple[RodReading, ...]
    figures: tuple[FigureGiven, ...]
    active_area_cm2: float
    rod_length_mm: float | None
    rods: int
    limits: str


def given_of(inputs: ClosingInputs) -> Given:
    """Return the inputs as tables."""
    texts = to_form(inputs.figures)
    return Given(
        tuple(_types(inputs)),
        tuple(_measured(inputs)),
        _seen_words(inputs),
        inputs.readings,
        tuple(
            FigureGiven(field.section, field.label, texts[field.name], field.unit)
            for field in FIELDS
            if texts.get(field.name)
        ),
        inputs.active_area_cm2,
        inputs.rod_length_mm,
        len(inputs.rods),
        inputs.limits,
    )


def _types(inputs: ClosingInputs) -> list[TypeGiven]:
    pile = inputs.pile
    counts = [0] * len(pile.types)
    for number in (*pile.layers, *pile.plates):
        counts[number] += 1
    rows = [_type(of, count) for of, count in zip(pile.types, counts, strict=True)]
    return rows + ([_type(inputs.disc, 0)] if inputs.disc else [])


def _type(of: ClosingType, count: int) -> TypeGiven:
    return TypeGiven(
        str(of.kind), of.name, count, of.thickness_mm or None, gives_words(of.stiffness)
    )


def gives_words(stiffness: PartStiffness | None) -> tuple[str, ...]:
    """Return what a part gives under load, in words; nothing where it is not known."""
    if stiffness is None:
        return ()
    words: list[str] = []
    for field in fields(stiffness):
        value = getattr(stiffness, field.name)
        if isinstance(value, Soft):
            of = CurveOf.STRESS if isinstance(stiffness, Bed) else CurveOf.LINE_LOAD
            words.append(write_curve(value.loading, of))
        elif value:
            words.append(f"{_called(field.name)} {value:g}")
    return tuple(words)


def _seen_words(inputs: ClosingInputs) -> str:
    """In one sentence how far earlier closings pressed parts that are used again."""
    pile = inputs.pile
    counts: dict[tuple[str, str], int] = {}
    for entry in pile.seen:
        key = (str(pile.types[pile.layers[entry.position - 1]].kind), f"{entry.percent:.3g}")
        counts[key] = counts.get(key, 0) + 1
    return "; ".join(
        f"{count} {kind}{'' if count == 1 else 's'} to {percent}\u2009%"
        for (kind, percent), count in counts.items()
    )


def _called(field: str) -> str:
    if field.endswith("_1_k"):
        return f"{spoken(field.removesuffix('_1_k'))} (1/K)"
    return spoken(field).replace("u thickness", "u of thickness").replace("u height", "u of height")


def _measured(inputs: ClosingInputs) -> list[MeasuredGiven]:
    pile = inputs.pile
    rows = []
    for layer in pile.measured:
        cell = pile.cells[layer.position - 1]
        place = f"layer {layer.position}" + (f", cell {cell}" if cell else "")
        name = pile.types[pile.layers[layer.position - 1]].name
        rows.append(MeasuredGiven(place, name, layer.thickness_mm))
    for layer in pile.measured_plates:
        name = pile.types[pile.plates[layer.position - 1]].name
        rows.append(MeasuredGiven(f"compression plate {layer.position}", name, layer.thickness_mm))
    return rows


router = APIRouter()


@dataclass(frozen=True, slots=True)
class KeptClosing:
    """What was kept of a closing and counts, as it is shown.

    ``handed_in``: the one of hand-in, where this one was computed anew for a correction.
    """

    kept: KeptResult
    sheet: ClosingSheet | None
    """None where what was kept can no longer be read"""
    handed_in: "KeptClosing | None" = None


@dataclass(frozen=True, slots=True)
class Difference:
    """One value as kept and as computed now; what one side lacks is a dash."""

    words: str
    kept: str
    now: str
    change: str
    verdict_kept: Verdict | None
    verdict_now: Verdict | None


@dataclass(frozen=True, slots=True)
class ClosingPage:
    """Everything about the closing of one record."""

    head: RecordHead
    kept: KeptClosing | None
    earlier: tuple[KeptResult, ...]
    corrected: tuple[Difference, ...]
    now: ClosingSheet
    why_again: tuple[str, ...]
    differences: tuple[Difference, ...]
    given: Given


@router.get("/records/{record_id}/closing")
def show(request: Request, me: Me, database: Database, record_id: Number) -> Response:
    """Show what a closing was computed from, what it gave, and what it gives today."""
    need(me, Act.READ)
    with reading(database) as session:
        context = closing_page(session, record_id)
    return page(request, "closing/show.html", context)


def closing_page(session: Session, record_id: int) -> ClosingPage:
    """Return the page of a record's closing, in a constant number of statements.

    Raises NotFound.
    """
    head = record_head(session, record_id)
    again = closing_again(session, record_id)
    sizes, height = again.ground.sizes, again.measured_mm
    closing_kept = (
        _counting_closing((again.kept, *again.earlier), sizes, height) if again.kept else None
    )
    now = closing_sheet(
        again.now,
        sizes,
        again.figures.clamp,
        measured_mm=height,
        remarks=() if closing_kept else again.ground.remarks,
        prefix="now",
    )
    return ClosingPage(
        head,
        closing_kept,
        again.earlier,
        _corrected(closing_kept) if closing_kept else (),
        now,
        again.why_again,
        tuple(_differences(closing_kept.sheet, now)) if closing_kept and closing_kept.sheet else (),
        given_of(again.inputs),
    )


def kept_closing_of(
    session: Session,
    record_id: int,
    stack_id: int,
    measured_mm: float | None,
    as_of: AsOf = PRESENT,
) -> KeptClosing | None:
    """Return what was kept of a record's closing; None where nothing was.

    One statement, or three.
    """
    results = kept_results(session, [record_id], as_of)[record_id]
    if counting(results) is None:
        return None
    return _counting_closing(results, design_sizes(session, stack_id), measured_mm)


def _counting_closing(
    results: Sequence[KeptResult], sizes: DesignSizes, measured_mm: float | None
) -> KeptClosing:
    """The newest of the results that count, with the one of hand-in where it is another."""
    counted = [each for each in results if each.counts]
    newest = kept_closing(counted[0], sizes, measured_mm)
    if newest.kept.correction_id is None:
        return newest
    return replace(newest, handed_in=kept_closing(counted[-1], sizes, measured_mm))


def _corrected(closing_kept: KeptClosing) -> tuple[Difference, ...]:
    """The differences a correction made."""
    before = closing_kept.handed_in.sheet if closing_kept.handed_in else None
    return tuple(_differences(before, closing_kept.sheet)) if before and closing_kept.sheet else ()


def kept_closing(result: KeptResult, sizes: DesignSizes, measured_mm: float | None) -> KeptClosing:
    """Return a kept result as it is shown."""
    outcome = result.outcome
    inputs, sheet = result.inputs, None
    if outcome is not None:
        clamp = inputs.figures.clamp if inputs else None
        sheet = closing_sheet(outcome, sizes, clamp, measured_mm=measured_mm)
    return KeptClosing(result, sheet)


def _differences(sheet_kept: ClosingSheet, now: ClosingSheet) -> Iterator[Difference]:
    before, after = (by_place(sheet.lines, lambda line: line.name) for sheet in (sheet_kept, now))
    for key in dict.fromkeys((*before, *after)):
        was, new = before.get(key), after.get(key)
        line = was or new
        if line is None:
            continue
        change = "–"
        if was and new:
            change = _change(was, new)
        yield Difference(
            line.words,
            was.shown.text if was else "–",
            new.shown.text if new else "–",
            change,
            was.verdict if was else None,
            new.verdict if new else None,
        )


def _change(was: Line, new: Line) -> str:
    """New less kept, with one digit more than is shown; "none" where that shows nothing."""
    places = len(was.shown.value.partition(".")[2]) + 1
    off = round(new.value.value - was.value.value, places)
    return shown(off, was.shown.unit, places).text if off else "none"
