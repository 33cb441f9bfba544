"""The sheet of a changeover plan: its lists as rows, the pile before and after as drawings."""

from collections.abc import Sequence
from dataclasses import dataclass

from markupsafe import Markup

from service.designs.arithmetic.grammar_text import name
from service.designs.arithmetic.pile import Layer
from service.planning.arithmetic.steps import Caution
from service.planning.queries.documents import PickLine, PlanDocument
from service.platform.arithmetic.vocabulary import End, Kind
from service.platform.pages.kept_drawings import kept
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


def sheet_of(document: PlanDocument, content_sha256: str, shown: LayerMap) -> PlanSheet:
    """The sheet of a plan; ``shown`` gives ports and rods for the drawings."""
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
        before=_drawn(document.before, "before", content_sha256, shown, marks),
        after=_drawn(document.after, "after", content_sha256, shown, marks),
        second=_drawn(second.layers, "second", content_sha256, shown) if second else Markup(),
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
            where=where,
            positions=tuple(pick.position for pick in some),
        )
        for (words, label, where, part), some in groups.items()
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
    shown: LayerMap,
    marks: Sequence[Mark] = (),
) -> Markup:
    titles = {"before": "The pile before", "after": "The pile after", "second": "The new stack"}

    def draw() -> str:
        fixed = {fixing.kind for fixing in shown.fixings}
        return draw_pile(
            layers,
            title=titles[which],
            ports=[Port(Fluid(port.fluid), port.end, port.label) for port in shown.ports],
            rods=Rods(
                len(shown.rods),
                sleeves=Kind.SLEEVE in fixed,
                disc_springs=Kind.DISC_SPRING in fixed,
            )
            if shown.rods
            else None,
            changes=marks,
            link=lambda layer: (
                f"/parts/{layer.part}" if layer.part > 0 else f"#pick-{layer.position}"
            ),
            has_legend=which == "after",
            has_detail=False,
            prefix=which,
        )

    return Markup(kept.get(("changeover", content_sha256, which, shown.digest), draw))  # noqa: S704
