"""The pick list: which parts in store go to which place, oldest suitable lot first."""

from collections import Counter, defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date

from service.designs.arithmetic.grammar import Item
from service.designs.arithmetic.grammar_match import Look, misfits
from service.designs.arithmetic.grammar_text import a, listed
from service.designs.arithmetic.pile import Layer
from service.platform.arithmetic.vocabulary import Back, Joint, Kind, Material, Side, Usability

ACCEPTED = frozenset({Usability.ACCEPTED, Usability.ACCEPTED_USED})


@dataclass(frozen=True, slots=True)
class Candidate:
    """A part in store, or the items of a lot that have no serials of their own.

    ``key`` is the caller's own and comes back with the pick: a part's, or a lot's. ``part`` is
    None for counted items, of which there are ``items``. ``made_on`` tells the age of its lot;
    ``usable_until`` is the last day of its shelf life; ``taken_from`` names the stack a part is
    taken over from, which need not be in store.
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
    usability: Usability = Usability.ACCEPTED
    hold_reason: str = ""
    made_on: date | None = None
    usable_until: date | None = None
    reserved_for: str = ""
    taken_from: str = ""

    def suits(self, item: Item) -> bool:
        """Say whether it is the part the design asks for there; it is laid as the design says.

        What the design renews at every opening is never taken over from another stack.
        """
        seen = Look(self.kind, self.part_type, item.facing, self.side, self.back, self.joint)
        used_up = bool(self.taken_from) and item.renew_at_opening
        return not used_up and not misfits(item, seen)

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
    on: date,
    stack: str,
    staying: Mapping[Item, frozenset[str | None]] | None = None,
    first: Iterable[int] = (),
) -> Picked:
    """Pick the parts in store that go where a place is open.

    The oldest suitable lot comes first, nothing on hold, not accepted, past its shelf life or
    reserved for another stack; where the design asks for one lot, that of the parts which stay,
    else the oldest that has enough.

    Parameters: ``on`` the day of the change; ``stack`` for which reservations count as its own;
    ``staying`` the lots of parts that stay, for each item; ``first`` parts to be used before any
    other, such as those taken over.

    Source: common practice, no source.
    """
    shelf = _Shelf(candidates, on, stack, frozenset(first))
    by_item: dict[Item, list[Need]] = defaultdict(list)
    picks, shortages, remarks = [], [], []
    for need in needs:
        if need.part is None:
            by_item[need.item].append(need)
        elif isinstance(got := shelf.take_named(need.part, need.item), Candidate):
            picks.append(Pick(need.place + 1, need.item, got))
        else:
            shortages.append(Shortage(need.item, (need.place + 1,), got))
    for item in sorted(by_item, key=shelf.choice):
        wanted = by_item[item]
        lots = (staying or {}).get(item, frozenset()) if item.one_lot else frozenset()
        taken, reason = shelf.take(item, len(wanted), lots)
        for need, candidate in zip(wanted, taken, strict=False):
            picks.append(Pick(need.place + 1, item, candidate))
        if wanting := wanted[len(taken) :]:
            positions = tuple(need.place + 1 for need in wanting)
            shortages.append(Shortage(item, positions, reason))
    remarks += [f"{label} was to be used first and finds no place." for label in shelf.unused()]
    return Picked(
        tuple(sorted(picks, key=lambda one: one.position)),
        tuple(sorted(shortages, key=lambda one: one.positions)),
        tuple(remarks),
    )


class _Shelf:
    """What is still there while the list is made."""

    def __init__(
        self, candidates: Iterable[Candidate], on: date, stack: str, first: frozenset[int]
    ) -> None:
        self._all = list(candidates)
        self._left = {id(one): one.items for one in self._all}
        self._first = first
        self._why_not = {id(one): unsuitable(one, on=on, stack=stack) for one in self._all}
        ages: dict[tuple[str, str | None], date] = {}
        for one in self._all:
            made = one.made_on or date.max
            ages[one.part_type, one.lot] = min(made, ages.get((one.part_type, one.lot), date.max))
        self._all.sort(
            key=lambda one: (
                one.part not in first,
                ages[one.part_type, one.lot],
                one.lot or "\U0010ffff",
                one.label,
                one.key,
            )
        )

    def choice(self, item: Item) -> int:
        """How much there is to choose from; who has least to choose from comes first."""
        return sum(self._left[id(one)] for one in self._ready(item))

    def _ready(self, item: Item) -> Iterator[Candidate]:
        # a blank cell may stand in an MEA's place, and yet is no MEA: only a wish puts it there
        for one in self._all:
            is_it = one.kind is item.kind and one.suits(item)
            if self._left[id(one)] and is_it and not self._why_not[id(one)]:
                yield one

    def take_named(self, part: int, item: Item) -> Candidate | str:
        """A part asked for by name, or why it cannot be had."""
        one = next((one for one in self._all if one.part == part), None)
        if one is None:
            return f"The {item.words} asked for is not among the parts offered."
        if not one.suits(item):
            return f"{one.label} does not suit: {a(item.words)} of the design belongs there."
        if self._why_not[id(one)]:
            return f"{one.label} is {self._why_not[id(one)]}."
        if not self._left[id(one)]:
            return f"{one.label} is asked for twice."
        self._left[id(one)] -= 1
        return one

    def take(
        self, item: Item, number: int, lots: frozenset[str | None]
    ) -> tuple[list[Candidate], str]:
        """So many parts for an item, and why they are fewer where they are."""
        ready = list(self._ready(item))
        if item.one_lot:
            ready = self._of_one_lot(ready, number, lots)
        taken: list[Candidate] = []
        for one in ready:
            now = min(self._left[id(one)], number - len(taken))
            self._left[id(one)] -= now
            taken += [one] * now
        return taken, "" if len(taken) == number else self._wanting(item, number, taken, lots)

    def _of_one_lot(
        self, ready: list[Candidate], number: int, lots: frozenset[str | None]
    ) -> list[Candidate]:
        if len(lots) == 1:
            return [one for one in ready if one.lot in lots]
        there: Counter[str | None] = Counter()
        for one in ready:
            there[one.lot] += self._left[id(one)]
        enough = [lot for lot in there if there[lot] >= number and lot is not None]
        chosen = enough[0] if enough else max(there, key=lambda lot: there[lot], default=None)
        return [one for one in ready if one.lot == chosen]

    def _wanting(
        self, item: Item, number: int, taken: list[Candidate], lots: frozenset[str | None]
    ) -> str:
        which = (
            item.words if item.part_type in {"", item.words} else f"{item.words} {item.part_type}"
        )
        told = f"{number} × {which} needed, {len(taken)} to be had"
        if item.one_lot:
            lot = taken[0].lot if taken else next(iter(lots)) if len(lots) == 1 else None
            told += f" from one lot ({lot or 'none has enough'}); the design asks for one lot"
        others = Counter(
            self._why_not[id(one)].split(":")[0]
            for one in self._all
            if one.suits(item) and self._why_not[id(one)]
            for _ in range(one.items)
        )
        if others:
            told += "; not counted: " + listed([f"{many} {why}" for why, many in others.items()])
        return told + "."

    def unused(self) -> list[str]:
        """Labels of the parts to be used first that were not."""
        return [one.label for one in self._all if one.part in self._first and self._left[id(one)]]


def unsuitable(candidate: Candidate, *, on: date, stack: str) -> str:
    """Say why this part may not be picked. Empty where it may."""
    if candidate.usability is Usability.ON_HOLD or candidate.hold_reason:
        return f"on hold: {candidate.hold_reason}" if candidate.hold_reason else "on hold"
    if candidate.usability not in ACCEPTED:
        return str(candidate.usability)
    if candidate.usable_until and on > candidate.usable_until:
        return f"past its shelf life: ended on {candidate.usable_until}"
    if candidate.reserved_for and candidate.reserved_for != stack:
        return f"reserved: for {candidate.reserved_for}"
    return ""
