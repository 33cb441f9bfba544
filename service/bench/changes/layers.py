"""At the bench: layers lifted off at the ends of the pile, and what was seen on them."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime

from sqlalchemy import select, update

from service.bench.changes.by_plan import (
    keep_deviation,
    lifted_beside_plan,
    progress_before,
    put_on_beside_plan,
)
from service.bench.queries.choices import as_seen, is_renewed, seen_by, what_comes
from service.designs.arithmetic.grammar_next import WhatNext, why_not
from service.designs.arithmetic.pile import Layer, OpenPile
from service.designs.queries import KeptPattern, pattern_of_stack
from service.physics.arithmetic.conditions import (
    NONE_SEEN,
    NOT_AGAIN,
    NOT_INSPECTED,
    PLACES,
    STANDING_ALONE,
    TO_BE_DECIDED,
    FindingEntry,
    check_findings,
)
from service.platform import changes
from service.platform import changes as given
from service.platform.arithmetic.errors import TradeError
from service.platform.arithmetic.vocabulary import (
    FIXING_KINDS,
    LAYER_KINDS,
    End,
    Facing,
    Kind,
    Whereabouts,
)
from service.platform.audit import Change
from service.platform.database import Work
from service.platform.errors import NotFound, Question, Refused
from service.records.arithmetic.lab_words import words_of
from service.records.changes import journal
from service.records.changes.bench_opening import done_while_open, refuse_closed
from service.records.changes.deviations import Answered, Deviation, Stands
from service.records.changes.donations import name_where_it_came_from
from service.records.changes.eligibility import Wanted, part_to_use
from service.records.changes.make_safe import refuse_unless_made_safe
from service.records.queries.lab_words import newest_words
from service.records.queries.working_piles import TO_BE_RENEWED, WorkingPile, working_pile
from service.records.tables import Finding, RebuildRecord, Step, StepKind
from service.store.arithmetic.identifiers import part_label
from service.store.arithmetic.make_safe import SafeAct
from service.store.changes.holds import PlacedBy, hold_by_word
from service.store.changes.identities import UNREAD
from service.store.changes.inspections import ask_to_decide
from service.store.queries.scans import resolve_to_fit
from service.store.tables import Lot, Part, PartType

ALL_KINDS = (*LAYER_KINDS, *FIXING_KINDS)


def lift_off(
    work: Work,
    record_id: int,
    version: int | None,
    *,
    end: End,
    findings: Sequence[FindingEntry],
    part_id: int | None = None,
    scanned: str = "",
    facing: Facing | None = None,
    unread: str = "",
    departs_because: str = "",
    stands: Stands | None = None,
    note: str = "",
    done_at: datetime | None = None,
) -> int:
    """Lift the outermost layer off an end; give the entry's id.

    ``unread`` is what is seen where no serial can be read: the part keeps the identity its place
    gives, and is on hold until somebody has confirmed that.

    ``facing`` is which end its marked face looked at, as found: the entry keeps it and says where
    the records have it otherwise; how it lay in its builds is a correction of theirs.

    ``part_id`` or ``scanned`` name the layer that is expected there: another one is refused and
    nothing is written. Raises Refused for findings that make no answer, and for a pile that is
    empty, not opened or closed; Question for a layer that stays by the plan the record was begun
    by: with ``stands`` and ``departs_because`` it is lifted off all the same.
    """
    record = journal.lock_record(work, record_id, version)
    refuse_closed(record)
    at = done_while_open(work, record, done_at)
    _refuse_stale(work, record, at)
    now = working_pile(work.session, record_id)
    pile = now.pile
    layer = _outermost(pile, end)
    _refuse_other_than(work, layer, end, part_id, scanned)
    findings = checked_findings(work, layer.kind, findings)
    text = given.optional_words("note", note, most=4000)
    answered = Answered(stands, departs_because, "departs_because")
    deviations = lifted_beside_plan(work, record_id, now, [layer], answered)
    renewed = _renewed(work, record, now, [layer])
    moving = journal.moving(work, record)
    step, _pile = _lift(moving, pile, end, at, renewed=renewed, note=text, scanned=scanned)
    write_findings(work, step, layer.part, findings)
    if seen := given.optional_words("unread", unread, most=1000):
        by = PlacedBy(step_id=step.id, record_id=record_id)
        reason = f"{UNREAD} at lifting off, known by its place alone: {seen}"
        hold_by_word(work, layer.part, by, reason=reason)
    deviation = keep_deviation(step, deviations)
    found = _found_turned(work, step, layer, facing)
    journal.finish_entry(
        work,
        record,
        journal.TrailNote(
            f"{layer.kind} {layer.label} lifted off at the {end}",
            (
                moved(layer.label, "fitted", "lifted off", renewed=layer.part in renewed),
                *_seen(layer.label, findings),
                *found,
                *(deviation.as_changes if deviation else ()),
            ),
            deviation.because if deviation else "",
        ),
    )
    return step.id


AS_FOUND = "as found at lifting off"


def _found_turned(
    work: Work, step: Step, layer: Layer, facing: Facing | None
) -> tuple[Change, ...]:
    """Keep with the entry that a layer lay the other way round than recorded."""
    if facing is None or facing is layer.facing or Facing.EITHER in (facing, layer.facing):
        return ()
    face = work.session.scalar(
        select(PartType.marked_face)
        .join(Part, Part.part_type_id == PartType.id)
        .where(Part.id == layer.part)
    )
    found = f"Found with its {face or 'marked face'} to the {facing}; recorded: {layer.facing}."
    step.facing = facing
    step.deviation = f"{step.deviation} {found}" if step.deviation else found
    step.deviation_because = step.deviation_because or AS_FOUND
    return ((f"facing of {layer.label} as found", layer.facing, facing),)


def lift_off_down_to(
    work: Work,
    record_id: int,
    version: int | None,
    *,
    end: End,
    part_id: int,
    condition: str = NOT_INSPECTED,
    departs_because: str = "",
    stands: Stands | None = None,
    note: str = "",
    done_at: datetime | None = None,
) -> int:
    """Lift off every layer from an end inward up to and with one part; give the last entry's id.

    Each layer is an entry of its own and can be undone singly. ``condition`` is said of all of
    them: "none seen" or "not inspected"; what was seen on one is then noted for that part.
    Raises Question as `lift_off` does, once for all of them.
    """
    record = journal.lock_record(work, record_id, version)
    refuse_closed(record)
    at = done_while_open(work, record, done_at)
    _refuse_stale(work, record, at)
    if condition not in STANDING_ALONE:
        raise Refused(
            "condition",
            condition,
            "this cannot be said of several layers at once.",
            f"“{NONE_SEEN}” or “{NOT_INSPECTED}”; note the rest part by part.",
        )
    now = working_pile(work.session, record_id)
    pile = now.pile
    layers = pile.layers if end is End.FIXED else tuple(reversed(pile.layers))
    count = next((n for n, layer in enumerate(layers, 1) if layer.part == part_id), 0)
    if not count:
        raise Refused("part_id", part_id, "this part is not in the pile.", "Choose a layer of it.")
    text = given.optional_words("note", note, most=4000)
    answered = Answered(stands, departs_because, "departs_because")
    deviations = lifted_beside_plan(work, record_id, now, layers[:count], answered)
    renewed = _renewed(work, record, now, layers[:count])
    deviations_kept: list[Deviation] = []
    moving = journal.moving(work, record)
    for layer in layers[:count]:
        step, pile = _lift(moving, pile, end, at, renewed=renewed, note=text)
        write_findings(work, step, layer.part, [FindingEntry(condition)])
        if deviation := keep_deviation(step, deviations):
            deviations_kept.append(deviation)
    changes = [
        moved(layer.label, "fitted", "lifted off", renewed=layer.part in renewed)
        for layer in layers[:count]
    ]
    inmost = layers[count - 1]
    sentence = f"{count} layers lifted off at the {end}, down to {inmost.kind} {inmost.label}"
    departed = [change for deviation in deviations_kept for change in deviation.as_changes]
    journal.finish_entry(
        work,
        record,
        journal.TrailNote(
            sentence,
            (*changes, ("findings on each", None, condition), *departed),
            deviations_kept[0].because if deviations_kept else "",
        ),
    )
    return step.id


def _refuse_stale(work: Work, record: RebuildRecord, at: datetime) -> None:
    if record.opened_at is not None:
        refuse_unless_made_safe(work, record, SafeAct.OPENING, at)


def note_finding(
    work: Work,
    record_id: int,
    version: int | None,
    *,
    part_id: int,
    findings: Sequence[FindingEntry],
    note: str = "",
    done_at: datetime | None = None,
) -> int:
    """Note what was seen on a part of this stack or one lifted off here; give the entry's id.

    It adds to what was said before of the part; the latest word counts where they contradict.
    """
    record = journal.lock_record(work, record_id, version)
    at = journal.done_at_of(work, record, done_at)
    row = work.session.execute(
        select(PartType.kind, Part.serial, Part.item_number, Lot.label)
        .join(Part, Part.part_type_id == PartType.id)
        .outerjoin(Lot, Lot.id == Part.lot_id)
        .where(Part.id == part_id)
    ).first()
    if row is None:
        raise NotFound("part", part_id)
    label = part_label(row.serial, row.label, row.item_number)
    now = working_pile(work.session, record_id)
    if part_id not in _parts_of(now):
        raise Refused(
            "part_id", label, "it is neither in this stack nor was it lifted off in this record."
        )
    findings = checked_findings(work, row.kind, findings)
    step = journal.add_step(
        work,
        record,
        StepKind.FINDING,
        at,
        part_id=part_id,
        note=given.optional_words("note", note, most=4000),
    )
    write_findings(work, step, part_id, findings)
    journal.finish_entry(
        work,
        record,
        journal.TrailNote(f"findings noted on {row.kind} {label}", _seen(label, findings)),
    )
    return step.id


def _outermost(pile: OpenPile, end: End) -> Layer:
    layer = pile.outermost(end)
    if layer is None:
        raise Refused("end", end, "the pile is empty: there is nothing left to lift off.")
    return layer


def _refuse_other_than(
    work: Work, layer: Layer, end: End, part_id: int | None, scanned: str
) -> None:
    outermost = f"{layer.kind} {layer.label} is outermost at the {end}."
    if part_id is not None and part_id != layer.part:
        raise Refused("part_id", part_id, outermost, "It has to be lifted off first.")
    if not scanned.strip():
        return
    resolved = resolve_to_fit(work.session, scanned, ALL_KINDS)
    if layer.part not in {hit.part_id for hit in resolved.hits}:
        raise Refused(
            "scanned",
            scanned.strip(),
            " ".join(filter(None, (resolved.trouble, f"the records say that {outermost}"))),
            "Read it again. If another part really lies there, the record of the build before"
            " needs a correction.",
        )


def _lift(
    moving: journal.Moving,
    pile: OpenPile,
    end: End,
    at: datetime,
    *,
    renewed: frozenset[int],
    note: str = "",
    scanned: str = "",
) -> tuple[Step, OpenPile]:
    """Write one lifting off: the part is nowhere but lifted off from now on.

    One of ``renewed`` is laid to what is to be renewed.
    """
    work, record = moving.work, moving.record
    layer, beneath = pile.lift_off(end)
    exposed = beneath.outermost(end)
    work.session.execute(
        update(Step)
        .where(Step.record_id == record.id, Step.part_id == layer.part, Step.standing)
        .values(standing=False)
    )
    part = work.session.get_one(Part, layer.part)
    step = journal.add_step(
        work,
        record,
        StepKind.LIFTED_OFF,
        at,
        end=end,
        part_id=layer.part,
        exposed_part_id=exposed.part if exposed else None,
        facing=layer.facing,
        whereabouts_before=part.whereabouts,
        place_before=part.place,
        scanned=scanned.strip() or None,
        note=note,
    )
    place = TO_BE_RENEWED if layer.part in renewed else ""
    moving.move(part, Whereabouts.LIFTED_OFF, place)
    return step, beneath


def _renewed(
    work: Work, record: RebuildRecord, now: WorkingPile, layers: Sequence[Layer]
) -> frozenset[int]:
    """Which of these layers are renewed at every opening, by their type or the design."""
    parts = [layer.part for layer in layers]
    by_type = work.session.scalars(
        select(Part.id)
        .join(PartType, PartType.id == Part.part_type_id)
        .where(Part.id.in_(parts), PartType.renew_at_opening)
    )
    kept_pattern = pattern_of_stack(work.session, record.stack_id)
    by_design = [
        layer.part
        for layer in seen_by(kept_pattern, now, layers)
        if is_renewed(kept_pattern, layer)
    ]
    return frozenset((*by_type, *by_design))


def checked_findings(
    work: Work, kind: Kind, findings: Sequence[FindingEntry]
) -> list[FindingEntry]:
    """Return findings in the laboratory's words: a code or a former word is one of them."""
    words = newest_words(work.session)[1]
    said = []
    for finding in findings:
        word = words.meant(finding.condition, kind)
        places = tuple(place for place in PLACES if place in finding.places)
        unknown = tuple(place for place in finding.places if place not in PLACES)
        condition = word.word if word else finding.condition
        code = word.code if word else None
        said.append(replace(finding, condition=condition, code=code, places=(*places, *unknown)))
    try:
        check_findings(kind, said, words_of(words.of(kind)))
    except TradeError as trouble:
        listed = ", ".join(finding.condition for finding in findings)
        raise Refused("findings", listed, str(trouble)) from trouble
    return said


def write_findings(work: Work, step: Step, part_id: int, findings: Sequence[FindingEntry]) -> None:
    """Write what was seen. A part not to be used again is on hold, one in doubt undecided."""
    work.session.add_all(
        Finding(
            record_id=step.record_id,
            step_id=step.id,
            part_id=part_id,
            condition=finding.condition,
            code=finding.code,
            severity=finding.severity,
            where=given.optional_words("where", finding.where),
            note=given.optional_words("note", finding.note, most=4000),
            face=finding.face or None,
            places=" ".join(finding.places) or None,
            area_percent=finding.area_percent,
        )
        for finding in findings
    )
    work.session.flush()
    weigh_findings(work, step, part_id, findings)


def weigh_findings(work: Work, step: Step, part_id: int, findings: Sequence[FindingEntry]) -> None:
    """Hold a part not to be used again; leave one in doubt undecided."""
    if grave := _in_words(findings, NOT_AGAIN):
        hold_by_word(
            work,
            part_id,
            PlacedBy(step_id=step.id, record_id=step.record_id),
            reason=f"Must not be used again, by record {step.record_id}: {grave}",
        )
    elif undecided := _in_words(findings, TO_BE_DECIDED):
        ask_to_decide(work, part_id, step, finding=undecided)


def _in_words(findings: Sequence[FindingEntry], severity: int) -> str:
    """What was found of so much weight, and where."""
    return "; ".join(finding.in_words for finding in findings if finding.severity == severity)


def moved(label: str, before: str, after: str, *, renewed: bool = False) -> Change:
    """Say where a part is now, for the trail."""
    return (f"where {label} is", before, f"{after}, {TO_BE_RENEWED}" if renewed else after)


def _seen(label: str, findings: Sequence[FindingEntry]) -> tuple[Change, ...]:
    words = "; ".join(
        finding.in_words
        + (f" (severity {finding.severity})" if finding.severity is not None else "")
        for finding in findings
    )
    return ((f"seen on {label}", None, words),)


def _parts_of(now: WorkingPile) -> set[int]:
    return (
        {layer.part for layer in now.layers}
        | {layer.part for layer in now.base}
        | {lifted.layer.part for lifted in now.lifted}
        | {fixing.part for fixing in (*now.fixings, *now.fixings_removed)}
    )


# At the bench: layers put on at the ends of the pile, guided by the design's pattern if asked.


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
    stands: Stands | None = None,
    note: str = "",
    done_at: datetime | None = None,
) -> int:
    """Put a layer on at an end; give the entry's id.

    The part is scanned or typed, chosen (``part_id``), or one item is taken from a lot. ``facing``
    is asked for where the part's type names a marked face. Raises Refused with what stands against
    it; see `part_to_use`.

    ``by_pattern`` refuses at once a part which does not come next by the design's pattern, and
    says what does; with ``departs_because`` it is put on all the same and the entry keeps why.
    Raises Question for what departs from the plan the record was begun by: with ``stands`` and
    ``departs_because`` it is put on all the same. One reason does for design and plan.
    """
    record = journal.lock_record(work, record_id, version)
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
    why = changes.optional_words("departs_because", departs_because, most=2000)
    guide = _guide(work, record, end) if by_pattern or why else None
    if guide and not why:
        guide.refuse_other(part, part_type, label, None)
    lies = _facing(part_type, label, facing)
    against = guide.against(part, part_type, label, lies) if guide else None
    if guide and against and not why:
        guide.refuse_other(part, part_type, label, lies)
    planned = progress_before(work, record_id)
    moving = journal.moving(work, record)
    if part.whereabouts is Whereabouts.LIFTED_OFF and not moving.has_gone_on:
        name_where_it_came_from(work, record, part.id, at)
    text = changes.optional_words("note", note, most=4000)
    if against:
        text = f"Not as designed: {against} Put on all the same, because {why}" + (
            f"\n{text}" if text else ""
        )
    step = journal.add_step(
        work,
        record,
        StepKind.PUT_ON,
        at,
        end=end,
        part_id=part.id,
        facing=lies,
        standing=not moving.has_gone_on,
        whereabouts_before=part.whereabouts,
        place_before=part.place,
        scanned=scanned.strip() or None,
        note=text,
    )
    before = part.whereabouts
    moving.move(part, Whereabouts.FITTED)
    answered = Answered(Stands.STANDS if against else stands, why, "departs_because")
    deviation = put_on_beside_plan(work, step, planned, label, answered)
    turned = "" if lies is Facing.EITHER else f", {part_type.marked_face} to the {lies}"
    journal.finish_entry(
        work,
        record,
        journal.TrailNote(
            f"{part_type.kind} {label} put on at the {end}{turned}",
            (
                moved(label, before, "fitted"),
                ("facing", None, None if lies is Facing.EITHER else lies),
                ("departs from the design", None, against),
                *(deviation.as_changes if deviation else ()),
            ),
            why if against or deviation else "",
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
    kept_pattern = pattern_of_stack(work.session, record.stack_id)
    if kept_pattern.pattern is None:
        return None
    coming = what_comes(kept_pattern, working_pile(work.session, record.id), end)
    return None if coming is None else _Guide(kept_pattern, coming)


FACINGS = {Facing.FIXED_END.value: "← to the fixed end", Facing.FREE_END.value: "to the free end →"}


def which_way(marked_face: str, answer: str, label: str = "") -> Question:
    """Return the question which way a part lies whose faces differ."""
    return Question(
        "facing",
        answer,
        f"it matters{label and ' for ' + label} which end its {marked_face} looks at.",
        "The fixed end or the free end; where nobody knows, look at the stack first.",
        answers=FACINGS,
        facts={"marked face": marked_face} | ({"part": label} if label else {}),
    )


def _facing(part_type: PartType, label: str, facing: Facing | None) -> Facing:
    if part_type.marked_face is None:
        return Facing.EITHER
    if facing in (Facing.FIXED_END, Facing.FREE_END):
        return facing
    raise which_way(part_type.marked_face, facing or "", label)
