"""The sheet of a changeover plan: its lists as rows, the pile before and after as drawings."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from markupsafe import Markup

from service.calculators.arithmetic.desk import plain
from service.closing.arithmetic.outcome import ClosingOutcome, values_of
from service.closing.pages.sheets import by_place, limit_words, shown
from service.designs.arithmetic.grammar_text import name
from service.designs.arithmetic.pile import Layer
from service.limits.arithmetic.set_points import Row
from service.planning.arithmetic.ways import Caution
from service.planning.queries.closing import ChangeoverClosing
from service.planning.queries.documents import PickLine, PlanDocument
from service.platform.arithmetic.estimates import Estimate
from service.platform.arithmetic.units import Measure, from_si
from service.platform.arithmetic.verdicts import Verdict
from service.platform.arithmetic.vocabulary import End, Kind
from service.platform.pages.kept_drawings import drawing_cache
from service.stacks.arithmetic.comparison import Mark, compare
from service.stacks.drawings.clamp import Fluid, Port, Rods
from service.stacks.drawings.pile import draw_pile
from service.stacks.pages.layer_pictures import faces_in_words
from service.stacks.queries.layer_maps import LayerMap

TOPICS = {
    Caution.HYDROGEN: "hydrogen",
    Caution.STORED_CHARGE: "electrical",
    Caution.HOT_COOLANT: "coolant",
    Caution.CLAMP_ENERGY: "clamp",
    Caution.DUST_AND_MEMBRANES: "graphite",
    Caution.TEST_PRESSURE: "pressure",
}
"""Topics of the macro caution, by the caution a step calls for."""


@dataclass(frozen=True, slots=True)
class LiftRow:
    """One layer to lift off."""

    end: End
    layer: Layer
    words: str
    then: str


@dataclass(frozen=True, slots=True)
class LayRow:
    """One layer to put on, which way it lies, and where it comes from."""

    end: End
    layer: Layer
    words: str
    lies: str
    comes: str
    wanting: bool


@dataclass(frozen=True, slots=True)
class PickRow:
    """One part, or so many items of one lot, and the positions they are for."""

    words: str
    number: int
    part: int | None
    label: str
    part_type: str
    lot: str | None
    where: str
    positions: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class PlanSheet:
    """A plan as it is shown and printed."""

    document: PlanDocument
    content_sha256: str
    lifts: tuple[LiftRow, ...]
    renews: tuple[LiftRow, ...]
    picks: tuple[PickRow, ...]
    lays: tuple[LayRow, ...]
    second_picks: tuple[PickRow, ...]
    before: Markup
    after: Markup
    second: Markup
    cautions: tuple[str, ...]


def sheet_of(document: PlanDocument, content_sha256: str, pile_map: LayerMap) -> PlanSheet:
    """Return the sheet of a plan; ``pile_map`` gives ports and rods for the drawings."""
    before = {layer.position: layer for layer in document.before}
    after = {layer.position: layer for layer in document.after}
    marks = compare(document.before, document.after).marks
    topics = [TOPICS[caution] for step in document.steps for caution in step.cautions]
    second = document.second
    return PlanSheet(
        document=document,
        content_sha256=content_sha256,
        lifts=tuple(
            LiftRow(x.end, before[x.position], name(before[x.position]), x.then)
            for x in document.lift_off
        ),
        renews=tuple(
            LiftRow(document.ends[0], before[x.position], name(before[x.position]), x.reason)
            for x in document.must_renew
        ),
        picks=_pick_rows(document.picks, after),
        lays=_lay_rows(document, after),
        second_picks=_pick_rows(second.picks, {x.position: x for x in second.layers})
        if second
        else (),
        before=_drawn(document.before, "before", content_sha256, pile_map, marks),
        after=_drawn(document.after, "after", content_sha256, pile_map, marks),
        second=_drawn(second.layers, "second", content_sha256, pile_map) if second else Markup(),
        cautions=tuple(dict.fromkeys(topics)),
    )


def _pick_rows(picks: Sequence[PickLine], after: dict[int, Layer]) -> tuple[PickRow, ...]:
    groups: dict[tuple[str, str, str, int | None], list[PickLine]] = {}
    for pick in picks:
        layer = after[pick.position]
        groups.setdefault((name(layer), pick.label, pick.where, pick.part), []).append(pick)
    return tuple(
        PickRow(
            words=words,
            number=len(some),
            part=part,
            label=label,
            part_type=after[some[0].position].part_type,
            lot=some[0].lot,
            where=place,
            positions=tuple(pick.position for pick in some),
        )
        for (words, label, place, part), some in groups.items()
    )


def _lay_rows(document: PlanDocument, after: dict[int, Layer]) -> tuple[LayRow, ...]:
    rows = []
    for line in document.put_on:
        layer = after[line.position]
        face = document.marked_faces.get(layer.part_type)
        comes = "goes back" if line.again else "wanting" if line.wanting else "new"
        rows.append(
            LayRow(
                line.end,
                layer,
                name(layer),
                faces_in_words(layer.facing.value, face),
                comes,
                line.wanting,
            )
        )
    return tuple(rows)


def _drawn(
    layers: Sequence[Layer],
    which: str,
    content_sha256: str,
    pile_map: LayerMap,
    marks: Sequence[Mark] = (),
) -> Markup:
    titles = {"before": "The pile before", "after": "The pile after", "second": "The new stack"}

    def draw() -> str:
        fixed = {fixing.kind for fixing in pile_map.fixings}
        return draw_pile(
            layers,
            title=titles[which],
            ports=[Port(Fluid(port.fluid), port.end, port.label) for port in pile_map.ports],
            rods=Rods(
                len(pile_map.rods),
                sleeves=Kind.SLEEVE in fixed,
                disc_springs=Kind.DISC_SPRING in fixed,
            )
            if pile_map.rods
            else None,
            changes=marks,
            link=lambda layer: (
                f"/parts/{layer.part}" if layer.part > 0 else f"#pick-{layer.position}"
            ),
            has_legend=which == "after",
            has_detail=False,
            prefix=which,
        )

    return Markup(drawing_cache.get(("changeover", content_sha256, which, pile_map.digest), draw))  # noqa: S704


# What a changeover does to the clamp and the set points, as tables of before and after.


UNITS: dict[str, tuple[Measure, str]] = {
    "m³/s": (Measure.FLOW, "L/min"),
    "kg/s": (Measure.MASS_FLOW, "g/min"),
    "W": (Measure.POWER, "kW"),
}
"""The unit people read of a set point, by the SI unit it is computed in."""


@dataclass(frozen=True, slots=True)
class BeforeAfter:
    """One value before and after; ``limit`` and ``verdict`` are those of the value after."""

    words: str
    before: str
    after: str
    change: str
    limit: str = ""
    verdict: Verdict | None = None


@dataclass(frozen=True, slots=True)
class ChangeoverClosingSheet:
    """Both tables, and in words what could not be computed."""

    limits: str
    torque: str
    clamp: tuple[BeforeAfter, ...]
    set_points: tuple[BeforeAfter, ...]
    no_set_points: str
    not_computed: tuple[str, ...]
    remarks: tuple[str, ...]


def changeover_closing_sheet(closing: ChangeoverClosing) -> ChangeoverClosingSheet:
    """Return the sheet of what a changeover does."""
    before, after = closing.before, closing.after
    if before is None or after is None:
        return ChangeoverClosingSheet("", "", (), (), closing.no_set_points, (), ())
    return ChangeoverClosingSheet(
        closing.limits.name if closing.limits else "",
        shown(closing.torque_nm, "N·m").text,
        tuple(_clamp(before, after)),
        tuple(map(_set_point, closing.set_points)),
        closing.no_set_points,
        tuple(dict.fromkeys((*before.not_computed, *after.not_computed))),
        after.remarks,
    )


def _clamp(before: ClosingOutcome, after: ClosingOutcome) -> Iterator[BeforeAfter]:
    was, now = (
        by_place(values_of(outcome), lambda value: value.quantity) for outcome in (before, after)
    )
    judged = {(figure.quantity, figure.of): figure for figure in after.judged}
    for key in dict.fromkeys((*was, *now)):
        old, new = was.get(key), now.get(key)
        figure = new or old
        if figure is None:
            continue
        limit = judged.get((new.quantity, new.of)) if new else None
        unit = figure.quantity.unit
        yield BeforeAfter(
            f"{figure.quantity}, {figure.of}" if figure.of else str(figure.quantity),
            shown(old.value, unit).text if old else "–",
            shown(new.value, unit).text if new else "–",
            _change(old.value, new.value, unit) if old and new else "–",
            limit_words(limit.least, limit.most, unit) if limit else "",
            limit.verdict if limit else None,
        )
    yield from _further(before, after)


def _further(before: ClosingOutcome, after: ClosingOutcome) -> Iterator[BeforeAfter]:
    """What has no limit and yet is set or felt at the bench."""
    if before.closed and after.closed:
        old, new = before.closed.nut_turn_deg / 360, after.closed.nut_turn_deg / 360
        yield BeforeAfter(
            "turns of a nut from finger-tight",
            f"{old:.2f}",
            f"{new:.2f}",
            f"{new - old:+.2f}".replace("-", "−"),
        )
    if before.wanted and after.wanted:
        yield BeforeAfter(
            f"torque for {after.wanted.gdl_pressure_mpa:.3g}\u2009MPa of GDL pressure",
            shown(before.wanted.torque_nm, "N·m").text,
            shown(after.wanted.torque_nm, "N·m").text,
            _change(before.wanted.torque_nm, after.wanted.torque_nm, "N·m"),
        )


def _change(old: Estimate, new: Estimate, unit: str) -> str:
    places = len(shown(new, unit).value.partition(".")[2])
    off = round(new.value - old.value, places)
    if not off:
        return "none"
    return f"{off:+.{places}f}\u2009{unit}".rstrip("\u2009").replace("-", "−")


def _set_point(row: Row) -> BeforeAfter:
    measure, unit = UNITS.get(row.unit, (None, row.unit))

    def text(value: float) -> str:
        number = from_si(value, unit, measure) if measure else value
        return f"{plain(number)}\u2009{unit}".rstrip("\u2009").replace("-", "−")

    grown = "+" if row.change > 0 else ""
    change = f"{grown}{text(row.change)}" if row.change else "none"
    return BeforeAfter(row.name, text(row.before), text(row.after), change)
