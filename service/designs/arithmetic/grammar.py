"""The layer grammar: what a design says about the order of the layers, for any number of cells.

A pattern is head, cell, between, tail. N cells make the pile head, cell, between, cell … cell,
tail: the cell N times, what lies between two cells N − 1 times. The neighbours of the grammar:
grammar_states (what may follow what), grammar_match (a pile against it), grammar_check (what is
wrong), grammar_next (what comes next), pattern_toml (as a file).
"""

from collections.abc import Iterator
from dataclasses import dataclass
from enum import StrEnum

from service.designs.arithmetic.pile import CELL_KINDS, Layer
from service.platform.arithmetic.errors import Inconsistent, OutOfRange
from service.platform.arithmetic.vocabulary import (
    LAYER_KINDS,
    Back,
    Facing,
    Joint,
    Kind,
    Material,
    Side,
)

MATERIALS = {
    Kind.MEA: Material.MEMBRANE,
    Kind.HALF_PLATE: Material.GRAPHITE,
    Kind.GASKET: Material.ELASTOMER,
    Kind.BLANK_CELL: Material.GRAPHITE,
    Kind.CURRENT_COLLECTOR: Material.METAL,
    Kind.INSULATOR_PLATE: Material.PLASTIC,
}
"""What a kind is made of where an item does not say."""


class Where(StrEnum):
    """The four parts of a pattern."""

    HEAD = "head"
    CELL = "cell"
    BETWEEN = "between"
    TAIL = "tail"


@dataclass(frozen=True, slots=True)
class Item:
    """One place of a pattern: which part belongs there and how it lies.

    What is left out does not matter: an empty ``part_type`` takes any type of the kind, ``back``
    None any coolant face, ``facing`` either way. A gasket's ``side`` only words its place.
    ``directional``: the facing must be known, a part noted "either way" is questioned.
    ``one_lot``: all parts at such places come from one lot. ``thickness_mm`` in mm as fitted;
    None where the part type says it.
    """

    kind: Kind
    part_type: str = ""
    side: Side | None = None
    back: Back | None = None
    joint: Joint | None = None
    facing: Facing = Facing.EITHER
    blank_may_stand: bool = False
    renew_at_opening: bool = False
    directional: bool = False
    one_lot: bool = False
    thickness_mm: float | None = None
    material: Material | None = None
    name: str = ""

    @property
    def words(self) -> str:
        """What a person calls it."""
        if self.name:
            return self.name
        if self.kind is Kind.GASKET and self.joint:
            return "cell gasket" if self.joint is Joint.GAS else "coolant gasket"
        return str(self.kind)

    def layer(self, position: int, part: int) -> Layer:
        """Return the layer the design asks for, with no real part in it yet."""
        return Layer(
            position=position,
            part=part,
            kind=self.kind,
            label=self.words,
            part_type=self.part_type or self.words,
            facing=self.facing,
            material=self.material or MATERIALS[self.kind],
            thickness_mm=1.0 if self.thickness_mm is None else self.thickness_mm,
            side=self.side,
            back=self.back or Back.NONE,
            joint=self.joint,
        )


@dataclass(frozen=True, slots=True)
class Pattern:
    """A design's order of layers, from the fixed end; least and most cells it allows.

    Raises Inconsistent where the cell is empty, OutOfRange where the cells are in no order.
    """

    head: tuple[Item, ...]
    cell: tuple[Item, ...]
    between: tuple[Item, ...]
    tail: tuple[Item, ...]
    least_cells: int = 1
    most_cells: int = 1

    def __post_init__(self) -> None:
        if not self.cell:
            raise Inconsistent("The cell of a pattern is empty; it needs one item at least.")
        if self.least_cells < 1:
            raise OutOfRange("least cells", self.least_cells, "", "1 or more")
        if self.most_cells < self.least_cells:
            raise OutOfRange("most cells", self.most_cells, "", f"{self.least_cells} or more")

    def part(self, section: Where) -> tuple[Item, ...]:
        """Return the items of one of the four parts."""
        return {
            Where.HEAD: self.head,
            Where.CELL: self.cell,
            Where.BETWEEN: self.between,
            Where.TAIL: self.tail,
        }[section]

    @property
    def reversed(self) -> "Pattern":
        """The same pattern counted from the free end; facings name ends and stay as they are."""
        return Pattern(
            head=self.tail[::-1],
            cell=self.cell[::-1],
            between=self.between[::-1],
            tail=self.head[::-1],
            least_cells=self.least_cells,
            most_cells=self.most_cells,
        )


def sequence(pattern: Pattern, cells: int) -> Iterator[Item]:
    """Return the items of a pile of so many cells in order, whatever the design allows."""
    yield from pattern.head
    yield from pattern.cell
    for _ in range(cells - 1):
        yield from pattern.between
        yield from pattern.cell
    yield from pattern.tail


def objections(pattern: Pattern) -> tuple[str, ...]:
    """Say what a stack builder would object to in this pattern.

    Empty where nothing is to be said.
    """
    sentences = []
    for section in Where:
        for number, item in enumerate(pattern.part(section), 1):
            sentences += [
                f"{section} {number}, {item.words}: {objection}" for objection in _of_item(item)
            ]
    centres = sum(item.kind in CELL_KINDS for item in pattern.cell)
    if centres != 1:
        sentences.append(f"The cell holds {centres} MEAs or blank cells; it needs exactly one.")
    for section in (Where.HEAD, Where.BETWEEN, Where.TAIL):
        if any(item.kind in CELL_KINDS for item in pattern.part(section)):
            sentences.append(f"The {section} holds an MEA or blank cell; these belong to the cell.")
    return (*sentences, *_of_joints(pattern))


def _of_item(item: Item) -> Iterator[str]:
    if item.kind not in LAYER_KINDS:
        yield f"a {item.kind} is no layer; layers are {', '.join(LAYER_KINDS)}."
    if item.blank_may_stand and item.kind is not Kind.MEA:
        yield "a blank cell can stand in the place of an MEA only."
    if item.joint and item.kind is not Kind.GASKET:
        yield f"only a gasket seals a joint, a {item.kind} does not."
    if item.directional and item.facing is Facing.EITHER:
        yield "a directional part needs the end its marked face looks at."
    if item.thickness_mm is not None and not 0 < item.thickness_mm < float("inf"):
        yield f"a thickness of {item.thickness_mm} mm cannot be; it is more than 0."


def _of_joints(pattern: Pattern) -> Iterator[str]:
    """A coolant layer needs exactly one channelled back."""
    items = list(sequence(pattern, 2))
    joints = set()
    for before, gasket, after in zip(items, items[1:], items[2:], strict=False):
        if gasket.joint is not Joint.COOLANT or (before, gasket, after) in joints:
            continue
        joints.add((before, gasket, after))
        if before.back is None or after.back is None:
            continue
        channelled = (before.back, after.back).count(Back.CHANNELLED)
        if channelled != 1:
            yield (
                f"At the {gasket.words} between {before.words} and {after.words} "
                f"{'neither back carries' if not channelled else 'both backs carry'} channels; "
                "a coolant layer needs exactly one channelled back."
            )
