"""Two piles against each other: which parts went out, came in, moved or were turned."""

from bisect import bisect_left
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from enum import StrEnum
from itertools import pairwise

from service.designs.arithmetic.pile import Layer
from service.platform.arithmetic.errors import Inconsistent


class What(StrEnum):
    """What happened to a part between two piles."""

    OUT = "out"
    IN = "in"
    MOVED = "moved"
    TURNED = "turned"


@dataclass(frozen=True, slots=True)
class Change:
    """One part that differs, with its layer before and after; None where it was in no pile.

    ``layer`` is the part as it is now, or as it last was.
    """

    what: What
    layer: Layer
    before: Layer | None
    after: Layer | None

    @property
    def position_before(self) -> int | None:
        """Position in the pile before, counted from the fixed end."""
        return self.before.position if self.before else None

    @property
    def position_after(self) -> int | None:
        """Position in the pile after, counted from the fixed end."""
        return self.after.position if self.after else None


@dataclass(frozen=True, slots=True)
class Mark:
    """One revision number and the changes it stands for: a run of layers changed alike."""

    number: int
    what: What
    changes: tuple[Change, ...]


@dataclass(frozen=True, slots=True)
class Comparison:
    """What changed between two piles; each list in the order of the pile."""

    out: tuple[Change, ...]
    came_in: tuple[Change, ...]
    moved: tuple[Change, ...]
    turned: tuple[Change, ...]

    @property
    def is_same(self) -> bool:
        """Say whether both piles are alike, layer for layer."""
        return not (self.out or self.came_in or self.moved or self.turned)

    @property
    def marks(self) -> tuple[Mark, ...]:
        """The changes numbered from 1 as drafters do, neighbours changed alike under one number."""
        runs = [
            (change_kind, run)
            for change_kind, changes in (
                (What.OUT, self.out),
                (What.IN, self.came_in),
                (What.MOVED, self.moved),
                (What.TURNED, self.turned),
            )
            for run in _runs(changes)
        ]
        runs.sort(key=lambda item: item[1][0].layer.position)
        return tuple(
            Mark(number, change_kind, run) for number, (change_kind, run) in enumerate(runs, 1)
        )


def compare(before: Sequence[Layer], after: Sequence[Layer]) -> Comparison:
    """Compare the parts: which went out, came in, moved against the others, or were turned.

    A part has moved where its order among the parts that stayed is another: a cell put in the
    middle moves nothing behind it. The fewest parts that explain the new order are named (the
    rest is a longest increasing subsequence), the same ones whichever pile is called before.
    A part can have moved and been turned. Positions are those the layers carry.

    Raises Inconsistent where a part stands twice in one pile. O(n log n).

    Source: longest increasing subsequence after M. L. Fredman, Discrete Mathematics 11 (1975) 29.
    """
    was, now = _by_part(before, "before"), _by_part(after, "after")
    stayed = [layer.part for layer in before if layer.part in now]
    in_order = _longest_in_order(stayed, {layer.part: index for index, layer in enumerate(after)})

    def changes(change_kind: What, parts: Iterable[int]) -> tuple[Change, ...]:
        return tuple(
            Change(change_kind, now.get(part) or was[part], was.get(part), now.get(part))
            for part in parts
        )

    return Comparison(
        out=changes(What.OUT, (part for part in was if part not in now)),
        came_in=changes(What.IN, (part for part in now if part not in was)),
        moved=changes(What.MOVED, (p for p in now if p in was and p not in in_order)),
        turned=changes(
            What.TURNED, (p for p in now if p in was and now[p].facing is not was[p].facing)
        ),
    )


def _by_part(layers: Sequence[Layer], which: str) -> dict[int, Layer]:
    layer_of: dict[int, Layer] = {}
    for layer in layers:
        if layer.part in layer_of:
            raise Inconsistent(
                f"{layer.label} stands twice in the pile {which}: "
                f"at positions {layer_of[layer.part].position} and {layer.position}."
            )
        layer_of[layer.part] = layer
    return layer_of


def _longest_in_order(parts: Sequence[int], place: dict[int, int]) -> set[int]:
    """The parts of one longest run in the same order on both sides.

    Of several longest ones the same is taken whichever side comes first: level by level (length
    of the longest run ending at a part) the lowest part number that still fits.
    """
    places = [place[part] for part in parts]
    ending = _lengths(places)
    starting = _lengths([-index for index in reversed(places)])[::-1]
    longest = max(ending, default=0)
    levels: list[list[int]] = [[] for _ in range(longest)]
    for index, (up_to, onward) in enumerate(zip(ending, starting, strict=True)):
        if up_to + onward - 1 == longest:
            levels[up_to - 1].append(index)
    chosen: set[int] = set()
    last = -1
    for level in levels:
        fitting = (i for i in level if last < 0 or (i > last and places[i] > places[last]))
        last = min(fitting, key=lambda index: parts[index])
        chosen.add(parts[last])
    return chosen


def _lengths(places: Sequence[int]) -> list[int]:
    """For each place, the length of the longest increasing run that ends there."""
    tails: list[int] = []
    lengths = []
    for place in places:
        index = bisect_left(tails, place)
        tails[index : index + 1] = [place]
        lengths.append(index + 1)
    return lengths


def _runs(changes: Sequence[Change]) -> list[tuple[Change, ...]]:
    """The changes parted wherever their layers do not follow one another in both piles."""
    runs = [[change] for change in changes[:1]]
    for before, change in pairwise(changes):
        if _follows(before.before, change.before) and _follows(before.after, change.after):
            runs[-1].append(change)
        else:
            runs.append([change])
    return [tuple(run) for run in runs]


def _follows(layer: Layer | None, following: Layer | None) -> bool:
    return layer is None or following is None or following.position == layer.position + 1
