"""The closing of a record: what it was computed from, what was kept, what would come out today.

What is computed again stands beside what was kept and never takes its place.
"""

from collections.abc import Iterator
from dataclasses import dataclass

from fastapi import APIRouter, Request, Response
from sqlalchemy.orm import Session

from service.closing.pages.assumptions import Given, given_of
from service.closing.pages.lines import Line, shown
from service.closing.pages.sheets import ClosingSheet, closing_sheet
from service.closing.queries.closing_results import KeptResult, kept_results
from service.closing.queries.recomputed import closing_again
from service.closing.queries.rows import DesignSizes, design_sizes
from service.people.pages.signing_in import Database, Me
from service.platform.arithmetic.verdicts import Verdict
from service.platform.database import reading
from service.platform.pages.render import page
from service.platform.pages.shown_numbers import Number
from service.platform.permissions import Act, need
from service.records.queries.record_heads import Head, record_head

router = APIRouter()


@dataclass(frozen=True, slots=True)
class KeptClosing:
    """What was kept of a closing at hand-in, as it is shown."""

    kept: KeptResult
    sheet: ClosingSheet | None
    """None where what was kept can no longer be read"""


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

    head: Head
    kept: KeptClosing | None
    earlier: tuple[KeptResult, ...]
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
    """The page of a record's closing, in a constant number of statements. Raises NotFound."""
    head = record_head(session, record_id)
    again = closing_again(session, record_id)
    sizes, height = again.ground.sizes, again.measured_mm
    kept = kept_closing(again.kept, sizes, height) if again.kept else None
    now = closing_sheet(
        again.now,
        sizes,
        again.figures.clamp,
        measured_mm=height,
        remarks=() if kept else again.ground.remarks,
        prefix="now",
    )
    return ClosingPage(
        head,
        kept,
        again.earlier,
        now,
        again.why_again,
        tuple(_differences(kept.sheet, now)) if kept and kept.sheet else (),
        given_of(again.inputs),
    )


def kept_closing_of(
    session: Session, record_id: int, stack_id: int, measured_mm: float | None
) -> KeptClosing | None:
    """What was kept of a record's closing; None where nothing was. One statement, or three."""
    results = kept_results(session, [record_id])[record_id]
    counting = next((one for one in results if one.counts), None)
    if counting is None:
        return None
    return kept_closing(counting, design_sizes(session, stack_id), measured_mm)


def kept_closing(kept: KeptResult, sizes: DesignSizes, measured_mm: float | None) -> KeptClosing:
    """A kept result as it is shown."""
    outcome = kept.readable_outcome
    inputs, sheet = kept.readable_inputs, None
    if outcome is not None:
        clamp = inputs.figures.clamp if inputs else None
        sheet = closing_sheet(outcome, sizes, clamp, measured_mm=measured_mm)
    return KeptClosing(kept, sheet)


def _differences(kept: ClosingSheet, now: ClosingSheet) -> Iterator[Difference]:
    before, after = _by_name(kept.lines), _by_name(now.lines)
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


def _by_name(lines: tuple[Line, ...]) -> dict[tuple[str, int], Line]:
    """The lines by name and place: the cell with the least pressure need not be the same."""
    found: dict[tuple[str, int], Line] = {}
    for line in lines:
        at = sum(name == line.name for name, _at in found)
        found[line.name, at] = line
    return found
