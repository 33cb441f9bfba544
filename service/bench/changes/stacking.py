"""At the bench: layers put on at the ends of the pile, guided by the design's pattern if asked."""

from dataclasses import dataclass, replace
from datetime import datetime

from service.bench.changes.layers import moved
from service.bench.queries.coming_layers import as_seen, what_comes
from service.designs.arithmetic.grammar_next import WhatNext, why_not
from service.designs.queries.patterns import KeptPattern, pattern_of_stack
from service.platform import changes
from service.platform.arithmetic.vocabulary import LAYER_KINDS, End, Facing, Whereabouts
from service.platform.database import Work
from service.platform.errors import Refused
from service.records.changes.bench_opening import done_while_open, refuse_closed
from service.records.changes.eligibility import Wanted, part_to_use
from service.records.changes.record_journal import Said, add_step, hold_record, let_go
from service.records.queries.working_piles import working_pile
from service.records.tables import RebuildRecord, StepKind
from service.store.tables.parts import Part, PartType


def put_on(
    work: Work,
    record_id: int,
    version: int | None,
    *,
    end: End,
    scanned: str = "",
    lot_id: int | None = None,
    part_id: int | None = None,
    part_type_id: int | None = None,
    facing: Facing | None = None,
    by_pattern: bool = False,
    departs_because: str = "",
    note: str = "",
    done_at: datetime | None = None,
) -> int:
    """Put a layer on at an end; give the entry's id.

    The part is scanned or typed, chosen (``part_id``), or one item is taken from a lot. ``facing``
    is asked for where the part's type names a marked face. Raises Refused with what stands against
    it; see `part_to_use`.

    ``by_pattern`` refuses at once a part which does not come next by the design's pattern, and
    says what does; with ``departs_because`` it is put on all the same and the entry keeps why.
    """
    record = hold_record(work, record_id, version)
    refuse_closed(record)
    at = done_while_open(work, record, done_at)
    part, part_type, label = part_to_use(
        work,
        record,
        Wanted(scanned, part_id, lot_id, part_type_id),
        kinds=LAYER_KINDS,
        as_what="layer of a pile",
        done_at=at,
    )
    guide = _guide(work, record, end) if by_pattern else None
    why = changes.optional_words("departs_because", departs_because, most=2000)
    if guide and not why:
        guide.refuse_other(part, part_type, label, None)
    lies = _facing(part_type, label, facing)
    against = guide.against(part, part_type, label, lies) if guide else None
    if guide and against and not why:
        guide.refuse_other(part, part_type, label, lies)
    text = changes.optional_words("note", note, most=4000)
    if against:
        text = f"Not as designed: {against} Put on all the same, because {why}" + (
            f"\n{text}" if text else ""
        )
    step = add_step(
        work,
        record,
        StepKind.PUT_ON,
        at,
        end=end,
        part_id=part.id,
        facing=lies,
        standing=True,
        whereabouts_before=part.whereabouts,
        place_before=part.place,
        scanned=scanned.strip() or None,
        note=text,
    )
    before = part.whereabouts
    part.whereabouts, part.stack_id, part.place = Whereabouts.FITTED, record.stack_id, ""
    turned = "" if lies is Facing.EITHER else f", {part_type.marked_face} to the {lies}"
    let_go(
        work,
        record,
        Said(
            f"{part_type.kind} {label} put on at the {end}{turned}",
            (
                moved(label, before, "fitted"),
                ("facing", None, None if lies is Facing.EITHER else lies),
                ("departs from the design", None, against),
            ),
            why if against else "",
        ),
    )
    return step.id


@dataclass(frozen=True, slots=True)
class _Guide:
    """What the design's pattern lets come next, for the part at hand."""

    kept: KeptPattern
    what: WhatNext

    def against(
        self, part: Part, part_type: PartType, label: str, facing: Facing | None
    ) -> str | None:
        """What speaks against it; None: it comes next."""
        layer = as_seen(self.kept, part, part_type, label)
        return why_not(self.what, layer if facing is None else replace(layer, facing=facing))

    def refuse_other(
        self, part: Part, part_type: PartType, label: str, facing: Facing | None
    ) -> None:
        """Raise Refused for a part that does not come next."""
        against = self.against(part, part_type, label, facing)
        if against is not None:
            turned = facing is not None and self.against(part, part_type, label, None) is None
            raise Refused(
                "departs_because",
                "",
                against,
                "" if turned else "Lay it aside and take what is expected.",
            )


def _guide(work: Work, record: RebuildRecord, end: End) -> _Guide | None:
    """The guide at an end of this record's pile; None where the design keeps no pattern."""
    kept = pattern_of_stack(work.session, record.stack_id)
    if kept.pattern is None:
        return None
    what = what_comes(kept, working_pile(work.session, record.id), end)
    return None if what is None else _Guide(kept, what)


def _facing(part_type: PartType, label: str, facing: Facing | None) -> Facing:
    if part_type.marked_face is None:
        return Facing.EITHER
    if facing in (Facing.FIXED_END, Facing.FREE_END):
        return facing
    raise Refused(
        "facing",
        "" if facing is None else facing,
        f"it matters for {label} which end its {part_type.marked_face} looks at.",
        "The fixed end or the free end.",
    )
