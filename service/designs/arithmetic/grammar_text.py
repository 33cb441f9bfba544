"""Words for layers and places, as the builder at the bench would say them."""

from collections.abc import Sequence
from itertools import groupby

from service.designs.arithmetic.grammar import Item
from service.designs.arithmetic.grammar_findings import Wrong
from service.designs.arithmetic.pile import Layer
from service.platform.arithmetic.vocabulary import Back, Facing, Joint, Kind, Side

BACKS = {
    Back.CHANNELLED: "a channelled back",
    Back.FLUSH: "a flush back",
    Back.NONE: "no coolant back",
}


def name(layer: Layer) -> str:
    """Return what a person calls a layer: its kind, a gasket by its joint."""
    if layer.kind is Kind.GASKET and layer.joint:
        return "cell gasket" if layer.joint is Joint.GAS else "coolant gasket"
    return str(layer.kind)


def a(words: str) -> str:
    """Return words with their article.

    >>> a("MEA"), a("insulator plate"), a("cell gasket")
    ('an MEA', 'an insulator plate', 'a cell gasket')
    """
    return f"an {words}" if words[0] in "aeiouAEIO" or words.startswith("MEA") else f"a {words}"


def cells(number: int) -> str:
    """Return a number of cells."""
    return f"{number} cell{'' if number == 1 else 's'}"


def listed(words: Sequence[str]) -> str:
    """Return things in one row, the same one after another counted.

    >>> listed(["cell gasket", "MEA", "cell gasket"])
    'cell gasket, MEA and cell gasket'
    """
    parts = []
    for word, run in groupby(words):
        number = len(list(run))
        parts.append(word if number == 1 else f"{number} × {word}")
    if len(parts) > 7:
        parts = [*parts[:3], f"{len(parts) - 4} more", parts[-1]]
    return parts[0] if len(parts) == 1 else f"{', '.join(parts[:-1])} and {parts[-1]}"


def span(positions: Sequence[int]) -> str:
    """Return positions that follow on each other.

    >>> span([4]), span([4, 5]), span([4, 5, 6])
    ('4', '4 and 5', '4 to 6')
    """
    if len(positions) == 1:
        return str(positions[0])
    return f"{positions[0]} {'and' if len(positions) == 2 else 'to'} {positions[-1]}"


def between(positions: Sequence[int], position: int, layers: int) -> str:
    """Say where a missing part belongs: ``position`` layers of so many lie before it."""
    if not positions:
        return "from an empty pile"
    if position == 0:
        return f"at the fixed end, before layer {positions[0]}"
    if position == layers:
        return f"at the free end, behind layer {positions[-1]}"
    return f"between layers {positions[0]} and {positions[1]}"


def backs_meet(wrong: Wrong, low: Layer, high: Layer) -> str:
    """Find two backs at one coolant gasket that make no coolant layer."""
    place = f"at {low.position} and {high.position}"
    if wrong is Wrong.NO_CHANNEL:
        return f"two coolant backs meet {place}, no channel"
    return f"two coolant backs meet {place}, both with channels"


def asked(item: Item) -> str:
    """Return what belongs in a place, with what tells it from others of its kind.

    >>> asked(Item(Kind.HALF_PLATE, "FP-2", side=Side.FUEL, back=Back.FLUSH))
    'a half plate (FP-2, fuel side, a flush back)'
    """
    words = [item.part_type if item.part_type != item.words else ""]
    if item.kind is Kind.HALF_PLATE:
        words += [f"{item.side} side" if item.side else "", BACKS[item.back] if item.back else ""]
    words = [word for word in words if word]
    return a(item.words) + (f" ({', '.join(words)})" if words else "")


def lies(item: Item, beneath: Layer | None, side: Side | None) -> str:
    """Say how and on what the next part lies, for the builder's eye; empty where all is said.

    >>> lies(Item(Kind.HALF_PLATE, facing=Facing.FREE_END), None, None)
    'marked face to the free end'
    """
    sentences = []
    if item.kind is Kind.GASKET and beneath is not None:
        if beneath.kind is Kind.HALF_PLATE:
            face = "back" if item.joint is Joint.COOLANT else f"{side} side" if side else "gas side"
            sentences.append(f"in the groove of the half plate's {face}")
        else:
            sentences.append(f"on the {name(beneath)}")
    if item.facing is not Facing.EITHER:
        sentences.append(f"marked face to the {item.facing}")
    return ", ".join(sentences)
