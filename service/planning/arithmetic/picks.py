"""The pick list: which parts in store go to which place, oldest suitable lot first."""

from collections import Counter, defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from enum import StrEnum

from service.designs.arithmetic.grammar import Item
from service.designs.arithmetic.grammar_match import Look, misfits
from service.designs.arithmetic.grammar_text import a, listed
from service.designs.arithmetic.pile import Layer
from service.platform.arithmetic.vocabulary import Back, Joint, Kind, Material, Side, Whereabouts


@dataclass(frozen=True, slots=True)
class Candidate:
    """A part in store, or the items of a lot that have no serials of their own.

    ``key`` is the caller's own and comes back with the pick: a part's, or a lot's. ``part`` is
    None for counted items, of which there are ``items``. ``made_on`` tells the age of its lot;
    ``why_not`` says in a word why it must not be used on the day of the change, empty: it may;
    ``taken_from`` names the stack a part is taken over from, which need not be in store.
    """

    key: int
    part: int | None
    label: str
    kind: Kind
    part_type: str
    thickness_mm: float
    lot: str | None = None
    items: int = 1
    side: Side | None = None
    back: Back = Back.NONE
    joint: Joint | None = None
    material: Material = Material.METAL
    made_on: date | None = None
    why_not: str = ""
    reserved_for: str = ""
    taken_from: str = ""

    def suits(self, item: Item) -> bool:
        """Say whether it is the part the design asks for there; it is laid as the design says.

        What the design renews at every opening is never taken over from another stack.
        """
        look = Look(self.kind, self.part_type, item.facing, self.side, self.back, self.joint)
        used_up = bool(self.taken_from) and item.renew_at_opening
        return not used_up and not misfits(item, look)

    def why_not_for(self, stack: str) -> str:
        """Say why it may not be picked for this stack. Empty where it may."""
        if self.why_not or self.reserved_for in ("", stack):
            return self.why_not
        return f"reserved: for {self.reserved_for}"

    def layer(self, item: Item, position: int, part: int) -> Layer:
        """Return the part as a layer; ``part`` stands in for an item that has no key yet."""
        return Layer(
            position=position,
            part=part if self.part is None else self.part,
            kind=self.kind,
            label=self.label,
            part_type=self.part_type,
            facing=item.facing,
            material=self.material,
            thickness_mm=self.thickness_mm,
            side=self.side,
            back=self.back,
            joint=self.joint,
            lot=self.lot,
        )


@dataclass(frozen=True, slots=True)
class Need:
    """A new part that is needed: at which place (from 0) of the new pile, and which if named."""

    place: int
    item: Item
    part: int | None = None


@dataclass(frozen=True, slots=True)
class Pick:
    """A candidate for one position (from 1) of the new pile."""

    position: int
    item: Item
    candidate: Candidate


@dataclass(frozen=True, slots=True)
class Shortage:
    """What the store does not give; ``positions`` of the new pile stay without a part."""

    item: Item
    positions: tuple[int, ...]
    sentence: str


@dataclass(frozen=True, slots=True)
class Picked:
    """The pick list in the order of the pile, and what is wanting."""

    picks: tuple[Pick, ...]
    shortages: tuple[Shortage, ...]
    remarks: tuple[str, ...] = ()


def pick(
    needs: Sequence[Need],
    candidates: Iterable[Candidate],
    *,
    stack: str,
    staying: Mapping[Item, frozenset[str | None]] | None = None,
    first: Iterable[int] = (),
) -> Picked:
    """Pick the parts in store that go where a place is open.

    The oldest suitable lot comes first, nothing that must not be used or is reserved for another
    stack; where the design asks for one lot, that of the parts which stay, else the oldest that
    has enough.

    Parameters: ``stack`` for which reservations count as its own; ``staying`` the lots of parts
    that stay, for each item; ``first`` parts to be used before any other, such as those taken over.

    Source: common practice, no source.
    """
    shelf = _Shelf(candidates, stack, frozenset(first))
    by_item: dict[Item, list[Need]] = defaultdict(list)
    picks, shortages, remarks = [], [], []
    for need in needs:
        if need.part is None:
            by_item[need.item].append(need)
        elif isinstance(named_part := shelf.take_named(need.part, need.item), Candidate):
            picks.append(Pick(need.place + 1, need.item, named_part))
        else:
            shortages.append(Shortage(need.item, (need.place + 1,), named_part))
    for item in sorted(by_item, key=shelf.choice):
        places_wanted = by_item[item]
        lots = (staying or {}).get(item, frozenset()) if item.one_lot else frozenset()
        parts, reason = shelf.take(item, len(places_wanted), lots)
        for need, candidate in zip(places_wanted, parts, strict=False):
            picks.append(Pick(need.place + 1, item, candidate))
        if wanting := places_wanted[len(parts) :]:
            positions = tuple(need.place + 1 for need in wanting)
            shortages.append(Shortage(item, positions, reason))
    remarks += [f"{label} was to be used first and finds no place." for label in shelf.unused()]
    return Picked(
        tuple(sorted(picks, key=lambda part: part.position)),
        tuple(sorted(shortages, key=lambda part: part.positions)),
        tuple(remarks),
    )


class _Shelf:
    """What is still there while the list is made."""

    def __init__(self, candidates: Iterable[Candidate], stack: str, first: frozenset[int]) -> None:
        self._all = list(candidates)
        self._why_not = {id(part): part.why_not_for(stack) for part in self._all}
        self._left = {id(part): part.items for part in self._all}
        self._first = first
        ages: dict[tuple[str, str | None], date] = {}
        for part in self._all:
            made_on = part.made_on or date.max
            ages[part.part_type, part.lot] = min(
                made_on, ages.get((part.part_type, part.lot), date.max)
            )
        self._all.sort(
            key=lambda part: (
                part.part not in first,
                ages[part.part_type, part.lot],
                part.lot or "\U0010ffff",
                part.label,
                part.key,
            )
        )

    def choice(self, item: Item) -> int:
        """How much there is to choose from; who has least to choose from comes first."""
        return sum(self._left[id(part)] for part in self._ready(item))

    def _ready(self, item: Item) -> Iterator[Candidate]:
        # a blank cell may stand in an MEA's place, and yet is no MEA: only a wish puts it there
        for part in self._all:
            is_it = part.kind is item.kind and part.suits(item)
            if self._left[id(part)] and is_it and not self._why_not[id(part)]:
                yield part

    def take_named(self, part: int, item: Item) -> Candidate | str:
        """A part asked for by name, or why it cannot be had."""
        candidate = next((candidate for candidate in self._all if candidate.part == part), None)
        if candidate is None:
            return f"The {item.words} asked for is not among the parts offered."
        if not candidate.suits(item):
            return f"{candidate.label} does not suit: {a(item.words)} of the design belongs there."
        if why_not := self._why_not[id(candidate)]:
            return f"{candidate.label} is {why_not}."
        if not self._left[id(candidate)]:
            return f"{candidate.label} is asked for twice."
        self._left[id(candidate)] -= 1
        return candidate

    def take(
        self, item: Item, number: int, lots: frozenset[str | None]
    ) -> tuple[list[Candidate], str]:
        """So many parts for an item, and why they are fewer where they are."""
        ready = list(self._ready(item))
        if item.one_lot:
            ready = self._of_one_lot(ready, number, lots)
        parts: list[Candidate] = []
        for part in ready:
            now = min(self._left[id(part)], number - len(parts))
            self._left[id(part)] -= now
            parts += [part] * now
        return parts, "" if len(parts) == number else self._wanting(item, number, parts, lots)

    def _of_one_lot(
        self, ready: list[Candidate], number: int, lots: frozenset[str | None]
    ) -> list[Candidate]:
        if len(lots) == 1:
            return [part for part in ready if part.lot in lots]
        in_lots: Counter[str | None] = Counter()
        for part in ready:
            in_lots[part.lot] += self._left[id(part)]
        enough = [lot for lot in in_lots if in_lots[lot] >= number and lot is not None]
        chosen = enough[0] if enough else max(in_lots, key=lambda lot: in_lots[lot], default=None)
        return [part for part in ready if part.lot == chosen]

    def _wanting(
        self, item: Item, number: int, parts: list[Candidate], lots: frozenset[str | None]
    ) -> str:
        which = (
            item.words if item.part_type in {"", item.words} else f"{item.words} {item.part_type}"
        )
        notes = f"{number} × {which} needed, {len(parts)} to be had"
        if item.one_lot:
            lot = parts[0].lot if parts else next(iter(lots)) if len(lots) == 1 else None
            notes += f" from one lot ({lot or 'none has enough'}); the design asks for one lot"
        others = Counter(
            self._why_not[id(part)].split(":")[0]
            for part in self._all
            if part.suits(item) and self._why_not[id(part)]
            for _ in range(part.items)
        )
        if others:
            notes += "; not counted: " + listed([f"{many} {why}" for why, many in others.items()])
        return notes + "."

    def unused(self) -> list[str]:
        """Labels of the parts to be used first that were not."""
        return [
            part.label for part in self._all if part.part in self._first and self._left[id(part)]
        ]


class Fate(StrEnum):
    """What becomes of a part that was picked and not put on."""

    RETURNED = "returned"
    BROKEN = "broken"
    NOT_LOCATED = "not located"


WHERE = {
    Fate.RETURNED: Whereabouts.IN_STORE,
    Fate.BROKEN: Whereabouts.SCRAPPED,
    Fate.NOT_LOCATED: Whereabouts.MISSING,
}
