"""The form of a pattern: a list of items under head, cell, between and tail, read and rearranged.

An item's fields are named by its part of the pattern and its number: ``cell_2_facing``. A button
says what to do with one: ``up cell 2``, ``down head 1``, ``remove tail 3``, ``add between``.
"""

from collections.abc import Mapping
from dataclasses import fields

from fastapi import Request

from service.designs.arithmetic.grammar import Item, Pattern, Where
from service.designs.changes.patterns import MOST_ON_A_ROD, PatternEntry
from service.designs.queries.patterns import COUNTED_ON_RODS
from service.platform.arithmetic.errors import TradeError
from service.platform.arithmetic.typed_fields import as_typed
from service.platform.arithmetic.vocabulary import (
    LAYER_KINDS,
    Back,
    Facing,
    Joint,
    Kind,
    Material,
    Side,
)
from service.platform.pages.forms import Form, blank

MOST_ITEMS = 60
MOST_CELLS = 10_000
FIELDS = tuple(field.name for field in fields(Item))
SWITCHES = ("blank_may_stand", "renew_at_opening", "directional", "one_lot")
ONLY_OF = {
    "side": (Kind.HALF_PLATE, Kind.GASKET),
    "back": (Kind.HALF_PLATE, Kind.CURRENT_COLLECTOR),
    "joint": (Kind.GASKET,),
    "blank_may_stand": (Kind.MEA,),
}
"""Fields that say something of some kinds only; what stands in them for another is left out."""
USUAL = Pattern(
    head=(
        Item(Kind.INSULATOR_PLATE),
        Item(Kind.CURRENT_COLLECTOR, back=Back.FLUSH),
        Item(Kind.GASKET, joint=Joint.COOLANT, renew_at_opening=True),
    ),
    cell=(
        Item(Kind.HALF_PLATE, side=Side.FUEL, back=Back.CHANNELLED, facing=Facing.FREE_END),
        Item(Kind.GASKET, joint=Joint.GAS, renew_at_opening=True),
        Item(Kind.MEA),
        Item(Kind.GASKET, joint=Joint.GAS, renew_at_opening=True),
        Item(Kind.HALF_PLATE, side=Side.AIR, back=Back.FLUSH, facing=Facing.FIXED_END),
    ),
    between=(Item(Kind.GASKET, joint=Joint.COOLANT, renew_at_opening=True),),
    tail=(
        Item(Kind.GASKET, joint=Joint.COOLANT, renew_at_opening=True),
        Item(Kind.CURRENT_COLLECTOR, back=Back.CHANNELLED),
        Item(Kind.INSULATOR_PLATE),
    ),
)
"""What one may begin with: both ends cooled. Common practice, no source."""

Row = dict[str, tuple[str, ...]]


def form_of_pattern(
    request: Request, pattern: Pattern, on_each_rod: Mapping[Kind, int], cells_shown: int
) -> Form:
    """The form of a pattern as it is kept, or as one may begin."""
    counts = {name: on_each_rod.get(kind) for kind, name in COUNTED_ON_RODS.items()}
    form = blank(request, cells_shown=cells_shown, **counts)
    fill(form, pattern)
    return form


def fill(form: Form, pattern: Pattern) -> None:
    """Put a pattern into the form, in the place of what stands there."""
    form.typed["least_cells"] = (str(pattern.least_cells),)
    form.typed["most_cells"] = (str(pattern.most_cells),)
    for where in Where:
        _put_rows(form, where, [_row(item) for item in pattern.part(where)])


def items_in(form: Form, where: Where) -> int:
    """How many items a form has in one part of the pattern."""
    text = form.kept(f"{where}_items")
    return min(int(text), MOST_ITEMS) if text.isdigit() and len(text) < 4 else 0


def rearrange(form: Form, do: str) -> str:
    """Do what a button says; give the id of the button that has the cursor next."""
    verb, _, rest = do.partition(" ")
    name, _, number_text = rest.partition(" ")
    if name not in {str(where) for where in Where}:
        return ""
    where = Where(name)
    if verb == "add":
        if items_in(form, where) < MOST_ITEMS:
            new: Row = {"kind": ("",), "facing": (str(Facing.EITHER),)}
            _put_rows(form, where, [*_rows(form, where), new])
        return f"{where}_{items_in(form, where)}_kind"
    number = int(number_text) if number_text.isdigit() and len(number_text) < 4 else 0
    if not 1 <= number <= items_in(form, where):
        return ""
    if verb == "remove":
        rows = _rows(form, where)
        del rows[number - 1]
        _put_rows(form, where, rows)
        return f"add-{where}"
    if verb in {"up", "down"}:
        return _moved(form, where, number, verb)
    return ""


def read_pattern_form(form: Form) -> PatternEntry:
    """The pattern a form says; what cannot be read is refused beside its field."""
    least = form.whole("least_cells", least=1, most=MOST_CELLS)
    most = form.whole("most_cells", least=1, most=MOST_CELLS)
    counts = {
        kind: form.whole(name, most=MOST_ON_A_ROD, required=False)
        for kind, name in COUNTED_ON_RODS.items()
    }
    parts = {where: _read_items(form, where) for where in Where}
    if least and most and most < least:
        form.refuse("most_cells", "is fewer than the least", f"{least} or more would be right.")
    if not parts[Where.CELL]:
        form.refuse("cell_items", "The cell is empty.", "It needs one layer at least: its MEA.")
    form.check()
    pattern = Pattern(
        head=parts[Where.HEAD],
        cell=parts[Where.CELL],
        between=parts[Where.BETWEEN],
        tail=parts[Where.TAIL],
        least_cells=least or 1,
        most_cells=most or 1,
    )
    return PatternEntry(
        pattern, {kind: count for kind, count in counts.items() if count is not None}
    )


def pattern_or_none(form: Form) -> PatternEntry | None:
    """The pattern a form says so far, or none where something in it cannot be read."""
    with form.keeping():
        try:
            return read_pattern_form(form)
        except TradeError as trouble:
            form.refuse("cell_items", str(trouble))
    return None


def _read_items(form: Form, where: Where) -> tuple[Item, ...]:
    return tuple(
        _read_item(form, f"{where}_{number}_") for number in range(1, items_in(form, where) + 1)
    )


def _read_item(form: Form, at: str) -> Item:
    kind_text = form.one_of(at + "kind", LAYER_KINDS)
    kind = Kind(kind_text) if kind_text else Kind.MEA
    side = form.choice(at + "side", Side, required=False)
    back = form.choice(at + "back", Back, required=False)
    joint = form.choice(at + "joint", Joint, required=False)
    thickness_mm = form.number(at + "thickness_mm", unit="mm", required=False)
    if thickness_mm is not None and thickness_mm <= 0:
        form.refuse(at + "thickness_mm", "no layer is so thin", "More than 0 mm would be right.")
    return Item(
        kind,
        form.text(at + "part_type", required=False, most=400),
        side=side if kind in ONLY_OF["side"] else None,
        back=back if kind in ONLY_OF["back"] else None,
        joint=joint if kind in ONLY_OF["joint"] else None,
        facing=form.choice(at + "facing", Facing, required=False) or Facing.EITHER,
        blank_may_stand=kind is Kind.MEA and form.yes(at + "blank_may_stand"),
        renew_at_opening=form.yes(at + "renew_at_opening"),
        directional=form.yes(at + "directional"),
        one_lot=form.yes(at + "one_lot"),
        thickness_mm=thickness_mm,
        material=form.choice(at + "material", Material, required=False),
        name=form.text(at + "name", required=False, most=100),
    )


def _row(item: Item) -> Row:
    row: Row = {}
    for name in FIELDS:
        value = getattr(item, name)
        said = ("yes" if value else "") if name in SWITCHES else as_typed(value)
        row[name] = (said,)
    return row


def _rows(form: Form, where: Where) -> list[Row]:
    return [
        {name: form.typed.get(f"{where}_{number}_{name}", ("",)) for name in FIELDS}
        for number in range(1, items_in(form, where) + 1)
    ]


def _put_rows(form: Form, where: Where, rows: list[Row]) -> None:
    for number in range(1, max(items_in(form, where), len(rows)) + 1):
        for name in FIELDS:
            form.typed.pop(f"{where}_{number}_{name}", None)
    for number, row in enumerate(rows, 1):
        for name in FIELDS:
            form.typed[f"{where}_{number}_{name}"] = row.get(name, ("",))
    form.typed[f"{where}_items"] = (str(len(rows)),)


def _moved(form: Form, where: Where, number: int, verb: str) -> str:
    """One place up or down; beyond the first or last into the part of the pattern beside."""
    rows = _rows(form, where)
    row = rows.pop(number - 1)
    at = number - 2 if verb == "up" else number
    if 0 <= at <= len(rows):
        rows.insert(at, row)
        _put_rows(form, where, rows)
        return f"{verb}-{where}-{at + 1}"
    order = list(Where)
    beside = order.index(where) + (-1 if verb == "up" else 1)
    if not 0 <= beside < len(order) or items_in(form, order[beside]) >= MOST_ITEMS:
        return f"{verb}-{where}-{number}"
    others = _rows(form, order[beside])
    others.insert(len(others) if verb == "up" else 0, row)
    _put_rows(form, where, rows)
    _put_rows(form, order[beside], others)
    return f"{verb}-{order[beside]}-{len(others) if verb == 'up' else 1}"
