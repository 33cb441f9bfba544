"""Which part types a pattern names, and how its piles must call theirs to be measured by it.

A pattern names a type by its drawing number with the revision, ``TEL-2110 rev. C``, or by the
drawing number alone: then any revision of it may lie there. An item that names none takes any
part of its kind.
"""

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import TypeVar

from service.designs.arithmetic.grammar import Item, Pattern, Where
from service.platform.arithmetic.vocabulary import Back, Facing, Joint, Kind, Material, Side
from service.store.arithmetic.identifiers import serial_key

T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class KnownType:
    """A part type the lab has, as far as a pattern cares; thickness in mm as fitted."""

    drawing_number: str
    revision: str
    name: str
    kind: Kind
    side: Side | None = None
    back: Back = Back.NONE
    joint: Joint | None = None
    material: Material = Material.METAL
    thickness_mm: float | None = None
    marked_face: str | None = None

    @property
    def drawing(self) -> str:
        """Drawing number and revision, as a pattern names exactly this type."""
        return drawing(self.drawing_number, self.revision)


@dataclass(frozen=True, slots=True)
class Misnamed:
    """One thing an item says that its part type does not allow; ``number`` counts from 1."""

    section: Where
    number: int
    key: str
    value: str
    reason: str
    right_would_be: str


def drawing(drawing_number: str, revision: str) -> str:
    """Return a type with its revision, in a pattern's words.

    >>> drawing("TEL-2110", "C")
    'TEL-2110 rev. C'
    """
    return f"{drawing_number} rev. {revision}"


def names_in(pattern: Pattern) -> frozenset[str]:
    """Return the part types a pattern names, as it names them."""
    return frozenset(
        item.part_type for section in Where for item in pattern.part(section) if item.part_type
    )


def called(names: frozenset[str], drawing_number: str, revision: str) -> str:
    """Return what a pattern that names these calls a part of a type.

    >>> called(frozenset({"TEL-2110"}), "TEL-2110", "C")
    'TEL-2110'
    >>> called(frozenset({"TEL-2110 rev. B"}), "TEL-2110", "C")
    'TEL-2110 rev. C'
    """
    exactly = drawing(drawing_number, revision)
    if drawing_number in names and exactly not in names:
        return drawing_number
    return exactly


def types_named(name: str, types: Iterable[KnownType]) -> tuple[KnownType, ...]:
    """Return the types a name stands for; case and surrounding space do not count."""
    key, types = serial_key(name), tuple(types)
    exactly = tuple(known_type for known_type in types if serial_key(known_type.drawing) == key)
    return exactly or tuple(
        known_type for known_type in types if serial_key(known_type.drawing_number) == key
    )


def completed(pattern: Pattern, types: Sequence[KnownType]) -> tuple[Pattern, tuple[Misnamed, ...]]:
    """Return the pattern with side, back and joint of the types it names, and what cannot be so.

    Names are spelled as the lab spells them. What stands against an item: a type nobody has made,
    of another kind, of another face than the item says, a facing its type knows no mark for or
    leaves out; and a drawing named with its revision here and without it there.
    """
    wrong: list[Misnamed] = []
    whole = _each_part(
        pattern, lambda section: _completed(pattern.part(section), section, types, wrong)
    )
    wrong += _named_both_ways(whole, types)
    return whole, tuple(wrong)


def as_drawn(pattern: Pattern, types: Sequence[KnownType]) -> Pattern:
    """Return the pattern with thickness and material of the types it names, for a drawing."""

    def drawn(item: Item) -> Item:
        matches = types_named(item.part_type, types) if item.part_type else ()
        if not matches:
            return item
        return replace(
            item,
            thickness_mm=item.thickness_mm or matches[0].thickness_mm,
            material=item.material or matches[0].material,
        )

    return _each_part(pattern, lambda section: map(drawn, pattern.part(section)))


def _each_part(pattern: Pattern, items: Callable[[Where], Iterable[Item]]) -> Pattern:
    return replace(
        pattern,
        head=tuple(items(Where.HEAD)),
        cell=tuple(items(Where.CELL)),
        between=tuple(items(Where.BETWEEN)),
        tail=tuple(items(Where.TAIL)),
    )


def _completed(
    items: Sequence[Item], section: Where, types: Sequence[KnownType], wrong: list[Misnamed]
) -> Iterator[Item]:
    for number, item in enumerate(items, 1):
        if not item.part_type:
            yield item
            continue
        matches = types_named(item.part_type, types)
        troubles = list(_against(item, matches, types))
        wrong += [Misnamed(section, number, *trouble) for trouble in troubles]
        if troubles:
            yield item
            continue
        exactly = serial_key(item.part_type) == serial_key(matches[0].drawing)
        yield replace(
            item,
            part_type=matches[0].drawing if exactly else matches[0].drawing_number,
            side=item.side or _alike([match.side for match in matches]),
            back=item.back or _alike([match.back for match in matches if _has_back(match)]),
            joint=item.joint or _alike([match.joint for match in matches]),
        )


def _against(
    item: Item, matches: Sequence[KnownType], types: Sequence[KnownType]
) -> Iterator[tuple[str, str, str, str]]:
    name = item.part_type
    if not matches:
        drawings = [known_type.drawing for known_type in types if known_type.kind is item.kind]
        right = (
            f"Right would be {', '.join(drawings[:8])}{' …' if len(drawings) > 8 else ''}."
            if drawings
            else f"Make a part type of the kind {item.kind} first, or name none."
        )
        yield "part_type", name, "no part type has this drawing number.", right
        return
    strangers = [known_type for known_type in matches if known_type.kind is not item.kind]
    if strangers:
        reason = f"it is a {strangers[0].kind}, not a {item.kind}."
        yield "part_type", name, reason, "A type of the same kind, or another kind here."
        return
    for key, pattern_value, has in (
        ("side", item.side, {known_type.side for known_type in matches}),
        ("back", item.back, {known_type.back for known_type in matches}),
        ("joint", item.joint, {known_type.joint for known_type in matches}),
    ):
        if pattern_value is not None and pattern_value not in has:
            known_words = " or ".join(str(each) for each in has if each is not None) or "none"
            reason = f"{name} is of another {key}."
            yield (
                key,
                str(pattern_value),
                reason,
                f"Right would be {known_words}, or nothing: the type says it.",
            )
    marked = {known_type.marked_face for known_type in matches}
    if None not in marked and item.facing is Facing.EITHER:
        faces = " or ".join(sorted(str(face) for face in marked))
        reason = f"it matters how {name} lies: its {faces} is marked."
        yield "facing", str(item.facing), reason, "The end the marked face looks at."
    if marked == {None} and item.facing is not Facing.EITHER:
        reason = f"{name} has no marked face."
        yield "facing", str(item.facing), reason, f"Right would be {Facing.EITHER}."


def _has_back(known_type: KnownType) -> bool:
    return known_type.kind in {Kind.HALF_PLATE, Kind.CURRENT_COLLECTOR}


def _alike(values: Sequence[T]) -> T | None:
    """The value all have in common."""
    return values[0] if values and all(value == values[0] for value in values) else None


def _named_both_ways(pattern: Pattern, types: Sequence[KnownType]) -> Iterator[Misnamed]:
    names = names_in(pattern)
    exact = {known_type.drawing_number for known_type in types if known_type.drawing in names}
    for section in Where:
        for number, item in enumerate(pattern.part(section), 1):
            if item.part_type in exact:
                yield Misnamed(
                    section,
                    number,
                    "part_type",
                    item.part_type,
                    "elsewhere in the pattern it is named with its revision.",
                    "With its revision everywhere, or nowhere.",
                )
