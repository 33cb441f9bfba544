"""Working a changeover plan out for a stack as it stands now, from what the store holds."""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from datetime import UTC, date, datetime, time
from functools import cached_property

from sqlalchemy import select
from sqlalchemy.orm import Session

from service.designs.arithmetic.grammar import Item, Pattern
from service.designs.arithmetic.pattern_types import KnownType, as_drawn
from service.designs.arithmetic.pile import Layer
from service.designs.queries import KeptPattern, known_types, pattern_of_stack, seen_so
from service.planning.arithmetic import options
from service.planning.arithmetic.changeover import Plan, plan
from service.planning.queries.closing import NOTHING_SAID, KnownRods, RodEntry, rods_of_stack
from service.planning.queries.documents import Around, PlanDocument, document_of
from service.planning.queries.store import Into, Offered, offered
from service.platform.arithmetic.canonical import canonical_json, sha256_of
from service.platform.arithmetic.vocabulary import End, Usability
from service.platform.errors import Refused
from service.stacks.queries.layer_maps import LayerMap, layer_map
from service.stacks.queries.part_hours import part_hours
from service.stacks.queries.part_lives import separations
from service.stacks.tables import Stack
from service.store.arithmetic.identifiers import serial_key
from service.store.queries.acceptances import acceptances_of, limits_of
from service.store.queries.forbids import OF_PLACE, Cause, forbids_of_parts
from service.store.tables import Part, PartType

# Which parts of a pile are used up: by their type, a hold, their openings or their hours.


@dataclass(frozen=True, slots=True)
class UsedUp:
    """Parts renewed once they are reached: by their type, or by a limit with the reason."""

    by_type: frozenset[int]
    worn: Mapping[int, str]


RENEWED = (None, Usability.ON_HOLD, Usability.REJECTED)
"""What somebody has judged of a part that is renewed once it is reached; None: something else."""
STAYS = {Cause.DESIGN_HOLD, Cause.EXPIRED, *OF_PLACE}
"""Said of the whole stack, or no reason to renew what sits in it."""


def used_up_parts(session: Session, parts: Collection[int], stack_id: int) -> UsedUp:
    """Return those renewed once they are reached. Five statements, ten where limits count.

    Whatever must not be put on again is renewed; what sits there under a concession, or waits to
    be looked at, is not.
    """
    rows = session.execute(
        select(
            Part.id,
            PartType.renew_at_opening,
            PartType.openings_most,
            PartType.hours_most,
            Part.usability,
        )
        .join(PartType, PartType.id == Part.part_type_id)
        .where(Part.id.in_(parts))
    ).all()
    by_type = frozenset(row.id for row in rows if row.renew_at_opening)
    conceded = {row.id for row in rows if row.usability is Usability.UNDER_CONCESSION}
    worn = {}
    for part, forbids in forbids_of_parts(session, parts, stack_id=stack_id).items():
        against = [x for x in forbids if x.cause not in STAYS and x.judged in RENEWED]
        if part in conceded:
            against = [x for x in against if x.cause in (Cause.LOT_HOLD, Cause.TYPE_HOLD)]
        if against:
            worn[part] = against[0].word
    accepted = acceptances_of(session, parts)
    openings_most = limits_of(rows, accepted, "openings_most", "until_openings")
    hours_most = limits_of(rows, accepted, "hours_most", "until_hours_h")
    limited = set(openings_most) - by_type - set(worn)
    openings = separations(session, limited) if limited else {}
    for part in limited:
        if (count := openings.get(part, 0)) >= openings_most[part]:
            worn[part] = f"{count} of {openings_most[part]} openings used"
    remaining = set(hours_most) - set(worn) - by_type
    for part, ran in (part_hours(session, remaining) if remaining else {}).items():
        hours = ran.total.hours
        if hours >= hours_most[part]:
            worn[part] = f"{hours:.0f} of {hours_most[part]:.0f}\u2009h used"
    return UsedUp(by_type, worn)


BY_TYPE = "renewed at every opening"


@dataclass(frozen=True, slots=True)
class Ask:
    """What a plan is asked for; wishes are in the numbering of the present pile."""

    wishes: tuple[options.Wish, ...]
    planned_for: date
    may_open: tuple[End, ...] = tuple(End)
    rods: RodEntry = NOTHING_SAID


@dataclass(frozen=True)
class Ground:
    """What a plan begins from: the present pile as the pattern of its design sees it.

    ``why_not`` says why no plan can be made; empty: one can.
    """

    shown: LayerMap
    kept: KeptPattern
    types: tuple[KnownType, ...]
    known_rods: KnownRods

    @property
    def why_not(self) -> str:
        """Why no plan can be made."""
        if self.shown.build is None or not self.shown.build.is_present:
            return f"{self.shown.stack.serial} has no present build: there is nothing to change."
        if self.kept.pattern is None:
            return f"The design {self.kept.design} keeps no pattern, so no plan can be made."
        return ""

    @cached_property
    def pattern(self) -> Pattern:
        """The design's pattern, with the thicknesses of its part types."""
        if self.kept.pattern is None:
            raise Refused("stack", self.shown.stack.serial, self.why_not)
        return as_drawn(self.kept.pattern, self.types)

    @cached_property
    def layers(self) -> tuple[Layer, ...]:
        """The pile with its part types called as the pattern calls them."""
        called = {
            key: self.kept.called(type_.drawing_number, type_.revision)
            for key, type_ in self.shown.types.items()
        }
        return seen_so(self.shown.layers, {row[1]: called[row[6]] for row in self.shown.rows})

    @property
    def marked_faces(self) -> Mapping[str, str]:
        """Names of the faces facing tells of, by part type as the pattern calls it."""
        return {
            self.kept.called(type_.drawing_number, type_.revision): type_.marked_face
            for type_ in self.types
            if type_.marked_face
        }


@dataclass(frozen=True, slots=True)
class WornLayer:
    """A layer that would be renewed if it were reached, and why."""

    layer: Layer
    why: str


@dataclass(frozen=True, slots=True)
class WorkedOut:
    """A plan, not kept yet: the document that would be, and its hash."""

    plan: Plan
    document: PlanDocument
    content: str
    content_sha256: str
    staying: tuple[WornLayer, ...]
    """used up, and not reached by the plan"""


def worn_layers(session: Session, ground: Ground) -> tuple[WornLayer, ...]:
    """Return the layers of the present pile that must not be used again, or are used up.

    Three statements, eight where limits count. What is renewed at every opening is left out.
    """
    worn = used_up_parts(session, {x.part for x in ground.layers}, ground.shown.stack.id).worn
    return tuple(WornLayer(x, worn[x.part]) for x in ground.layers if x.part in worn)


def ground_of(session: Session, stack_id: int) -> Ground:
    """Return what a plan for this stack begins from. Eleven statements. Raises NotFound."""
    pile_map = layer_map(session, stack_id)
    return Ground(
        pile_map,
        pattern_of_stack(session, stack_id),
        known_types(session),
        rods_of_stack(session, pile_map),
    )


def work_out(session: Session, ground: Ground, ask: Ask) -> WorkedOut:
    """Work out the change with the least work. Four statements more, ten where limits count.

    Raises Refused where no plan can be made, the trade's OutOfRange and Inconsistent for wishes
    that cannot be.
    """
    pile_map = ground.shown
    if ground.why_not or pile_map.build is None:
        raise Refused("stack", pile_map.stack.serial, ground.why_not)
    _refuse_strange_stacks(session, pile_map.stack.id, ask.wishes)
    rods = rods_of_stack(session, pile_map, ask.rods)
    noon = datetime.combine(ask.planned_for, time(12), UTC)
    into = Into(pile_map.stack.id, noon)
    store = offered(session, ground.kept, ground.pattern, named_parts(ask.wishes), into)
    used_up = used_up_parts(session, {layer.part for layer in ground.layers}, pile_map.stack.id)
    pattern, worn = _renewing(ground, used_up)
    plan_found = plan(
        pattern,
        ground.layers,
        ask.wishes,
        stack=pile_map.stack.serial,
        store=[part.candidate for part in store],
        rods=None if rods.lacking else rods.rods,
        worn=worn,
        may_open=ask.may_open,
    )
    places = {(part.candidate.key, part.candidate.part is None): part.where for part in store}
    labels = {layer.part: layer.label for layer in ground.layers}
    labels |= {part.candidate.part: part.candidate.label for part in store if part.candidate.part}
    document = document_of(
        plan_found,
        Around(
            stack=pile_map.stack.serial,
            design=ground.kept.design,
            build=pile_map.build.number,
            planned_for=ask.planned_for,
            wishes=tuple(in_words(wish, labels) for wish in ask.wishes),
            before=ground.layers,
            rods=rods.rods,
            assumed=rods.assumed,
            lacking=rods.lacking,
            where=lambda key, is_lot: places[key, is_lot],
            marked_faces=ground.marked_faces,
            remarks=_not_counted(plan_found, store),
        ),
    )
    content = document.canonical
    part_ids = {layer.part for layer in plan_found.pile}
    staying = tuple(
        WornLayer(layer, used_up.worn[layer.part])
        for layer in ground.layers
        if layer.part in used_up.worn and layer.part in part_ids
    )
    return WorkedOut(plan_found, document, content, sha256_of(content), staying)


def _refuse_strange_stacks(session: Session, own_id: int, wishes: tuple[options.Wish, ...]) -> None:
    """Cells are moved to another stack of the lab."""
    keys = {serial_key(x.to): x.to for x in wishes if isinstance(x, options.MoveCells)}
    if not keys:
        return
    rows = session.execute(select(Stack.serial_key, Stack.id).where(Stack.serial_key.in_(keys)))
    stack_ids = {row.serial_key: row.id for row in rows}
    for key, to in keys.items():
        if stack_ids.get(key) in {None, own_id}:
            reason = "it is this stack itself." if key in stack_ids else "there is no such stack."
            raise Refused("move_to", to, reason, "The serial of another stack would be right.")


def _renewing(ground: Ground, used_up: UsedUp) -> tuple[Pattern, Mapping[int, str]]:
    """The pattern with what part types say of renewal, and single parts that are used up.

    A part at a place that names no type counts as used up by itself.
    """
    of_type = [layer for layer in ground.layers if layer.part in used_up.by_type]
    renewed = {layer.part_type for layer in of_type} & ground.kept.names
    pattern = ground.pattern

    def items(some: tuple[Item, ...]) -> tuple[Item, ...]:
        return tuple(
            replace(item, renew_at_opening=item.renew_at_opening or item.part_type in renewed)
            for item in some
        )

    single = {x.part: BY_TYPE for x in of_type if x.part_type not in renewed}
    return replace(
        pattern,
        head=items(pattern.head),
        cell=items(pattern.cell),
        between=items(pattern.between),
        tail=items(pattern.tail),
    ), {**single, **used_up.worn}


def _not_counted(plan_found: Plan, store: tuple[Offered, ...]) -> tuple[str, ...]:
    unknown = {id(part.candidate) for part in store if not part.is_counted}
    lots = {x.candidate.label: None for x in plan_found.picks if id(x.candidate) in unknown}
    return tuple(f"How many items {label} still holds nobody has written down." for label in lots)


# Wishes for a changeover as they are kept: JSON with a version, each wish by its kind.


VERSION = 1
KINDS: dict[str, type[options.Wish]] = {
    "add cells": options.AddCells,
    "replace cells": options.ReplaceCells,
    "replace parts": options.ReplaceParts,
    "blank cell": options.BlankCell,
    "remove cells": options.RemoveCells,
    "move cells": options.MoveCells,
    "split": options.SplitStack,
}


NAMES = {of: kind for kind, of in KINDS.items()}


def write_wishes(wishes: Sequence[options.Wish]) -> str:
    """Return wishes as canonical JSON."""
    rows = [{"kind": NAMES[type(wish)], **asdict(wish)} for wish in wishes]
    return canonical_json({"version": VERSION, "wishes": rows})


def named_parts(wishes: Sequence[options.Wish]) -> frozenset[int]:
    """Return parts that are not in the pile and are to come into it."""
    part_ids: set[int] = set()
    for wish in wishes:
        if isinstance(wish, options.AddCells):
            part_ids |= set(wish.taken_over)
        elif isinstance(wish, options.ReplaceParts):
            part_ids |= {part for _, part in wish.by}
    return frozenset(part_ids)


def in_words(wish: options.Wish, labels: Mapping[int, str]) -> str:
    """Return what is wished for, in a sentence; ``labels`` of parts by their keys."""

    def part(key: int) -> str:
        return labels.get(key, f"part {key}")

    sentence = ""
    match wish:
        case options.AddCells():
            words = f", first using {', '.join(map(part, wish.taken_over))}"
            many = f"{wish.cells} cell{'' if wish.cells == 1 else 's'}"
            sentence = (
                f"Add {many} before cell {wish.before_cell}{words if wish.taken_over else ''}."
            )
        case options.ReplaceCells():
            plates = "with" if wish.with_plates else "without"
            sentence = f"Replace {_cells(wish.cells)}, {plates} their half plates."
        case options.ReplaceParts():
            by = dict(wish.by)
            some = [part(key) + (f" by {part(by[key])}" if key in by else "") for key in wish.parts]
            sentence = f"Replace {', '.join(some)}."
        case options.BlankCell():
            sentence = f"Put a blank cell in the place of cell {wish.cell}."
        case options.RemoveCells():
            plates = "" if wish.plates is options.Plates.ANY else f" with {wish.plates}"
            sentence = f"Take out {_cells(wish.cells)}{plates}."
        case options.MoveCells():
            sentence = f"Move {_cells(wish.cells)} to {wish.to}."
        case options.SplitStack():
            sentence = (
                f"Split behind cell {wish.after_cell}: this stack keeps the {wish.keeps}, "
                f"{wish.to} gets the rest."
            )
    return sentence


def _cells(cells: Sequence[int]) -> str:
    return f"cell{'' if len(cells) == 1 else 's'} {', '.join(map(str, cells))}"
