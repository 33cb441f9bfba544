"""The pattern of a design: edited as a list with the pile drawn beside, and as a TOML file.

Every button sends the whole form, so that nothing typed is lost; only “Propose” writes anything.
"""

import json
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, fields, replace

from fastapi import APIRouter, Request, Response
from markupsafe import Markup
from sqlalchemy import Engine

from service.designs.arithmetic.grammar import Item, Pattern, Where, objections, sequence
from service.designs.arithmetic.pattern_toml import NotAPattern, read_pattern, write_pattern
from service.designs.arithmetic.pattern_types import KnownType, as_drawn, completed, types_named
from service.designs.arithmetic.pile import counts, height_mm, number_cells
from service.designs.changes import MOST_ON_A_ROD, propose_pattern
from service.designs.queries import (
    COUNTED_ON_RODS,
    DesignOnPage,
    KeptPattern,
    PatternEntry,
    RevisionBefore,
    design,
    known_types,
    pattern_of_design,
    pattern_proposed,
    pattern_waiting,
    revision_before,
)
from service.people.pages.signing_in import Database, Me
from service.platform.arithmetic.errors import TradeError
from service.platform.arithmetic.numbers import plain_whole
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
from service.platform.database import changing, reading
from service.platform.errors import NotFound
from service.platform.pages.forms import Form, Typed, blank
from service.platform.pages.render import download, go_on, page, part, quantity, wants_part
from service.platform.permissions import Act, need
from service.stacks.drawings.pile import draw_pile
from service.store.queries.proposals import Proposal

# The pile a design asks for with so many cells: drawn, and each part counted.


MOST_DRAWN = 2_000


USUALLY_SHOWN = 4
"""Cells drawn where nobody has said how many."""


@dataclass(frozen=True, slots=True)
class CountedItem:
    """How many of one part a pile needs."""

    words: str
    part_type: str
    name: str
    count: int


@dataclass(frozen=True, slots=True)
class AsDesignedPile:
    """The pile for so many cells, and what a stack builder would say against the pattern."""

    cells: int
    drawing: Markup
    in_words: str
    counted: tuple[CountedItem, ...]
    objections: tuple[str, ...]


def as_designed(
    pattern: Pattern, cells: int, types: Sequence[KnownType], *, title: str, is_slim: bool = False
) -> AsDesignedPile:
    """Draw and count the pile of a pattern for so many cells, whatever the design allows."""
    cells = max(1, min(cells, MOST_DRAWN))
    whole, misnamed = completed(pattern, types)
    drawn = as_drawn(whole, types)
    items = list(sequence(drawn, cells))
    layers = number_cells([item.layer(at, -at) for at, item in enumerate(items, 1)])
    tally = counts(layers)
    sentences = [
        f"{misnaming.section} {misnaming.number}: {misnaming.reason} {misnaming.right_would_be}"
        for misnaming in misnamed
    ]
    return AsDesignedPile(
        cells,
        Markup(  # noqa: S704 - our own drawing
            draw_pile(
                layers,
                title=title,
                has_detail=False,
                has_legend=not is_slim,
                is_slim=is_slim,
                prefix="designed",
            )
        ),
        f"{tally.half_plates} half plates, {tally.gas_gaskets} cell gaskets, "
        f"{tally.coolant_layers} coolant layers; {tally.layers} layers, "
        f"{quantity(height_mm(layers), 'mm', 1)} high, the sum of thicknesses",
        _counted(items, types),
        (*sentences, *(objections(whole) if not sentences else ())),
    )


def _counted(items: Sequence[Item], types: Sequence[KnownType]) -> tuple[CountedItem, ...]:
    """Each different part, in order of appearance."""
    number = Counter((item.words, item.part_type) for item in items)
    return tuple(
        CountedItem(words, part_type, _name(part_type, types), count)
        for (words, part_type), count in number.items()
    )


def _name(part_type: str, types: Sequence[KnownType]) -> str:
    matches = types_named(part_type, types) if part_type else ()
    return matches[0].name if matches else ""


# The form of a pattern: a list of items under head, cell, between and tail, read and rearranged.
#
# An item's fields are named by its part of the pattern and its number: ``cell_2_facing``. A button
# says what to do with one: ``up cell 2``, ``down head 1``, ``remove tail 3``, ``add between``.


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
    """Return the form of a pattern as it is kept, or as one may begin."""
    counts = {name: on_each_rod.get(kind) for kind, name in COUNTED_ON_RODS.items()}
    form = blank(request, cells_shown=cells_shown, **counts)
    fill(form, pattern)
    return form


def fill(form: Form, pattern: Pattern) -> None:
    """Put a pattern into the form, in the place of what stands there."""
    form.typed["least_cells"] = (str(pattern.least_cells),)
    form.typed["most_cells"] = (str(pattern.most_cells),)
    for section in Where:
        _put_rows(form, section, [_row(item) for item in pattern.part(section)])


def items_in(form: Form, section: Where) -> int:
    """Say how many items a form has in one part of the pattern."""
    return min(plain_whole(form.raw(f"{section}_items"), 3) or 0, MOST_ITEMS)


def rearrange(form: Form, do: str) -> str:
    """Carry out what a button says; return the id of the button that has the cursor next."""
    verb, _, rest = do.partition(" ")
    name, _, number_text = rest.partition(" ")
    if name not in {str(section) for section in Where}:
        return ""
    section = Where(name)
    if verb == "add":
        if items_in(form, section) < MOST_ITEMS:
            new: Row = {"kind": ("",), "facing": (str(Facing.EITHER),)}
            _put_rows(form, section, [*_rows(form, section), new])
        return f"{section}_{items_in(form, section)}_kind"
    number = plain_whole(number_text, 3) or 0
    if not 1 <= number <= items_in(form, section):
        return ""
    if verb == "remove":
        rows = _rows(form, section)
        del rows[number - 1]
        _put_rows(form, section, rows)
        return f"add-{section}"
    if verb in {"up", "down"}:
        return _moved(form, section, number, verb)
    return ""


def read_pattern_form(form: Form) -> PatternEntry:
    """Return the pattern a form says; what cannot be read is refused beside its field."""
    least = form.whole("least_cells", least=1, most=MOST_CELLS)
    most = form.whole("most_cells", least=1, most=MOST_CELLS)
    counts = {
        kind: form.whole(name, most=MOST_ON_A_ROD, required=False)
        for kind, name in COUNTED_ON_RODS.items()
    }
    parts = {section: _read_items(form, section) for section in Where}
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
    """Return the pattern a form says so far, or none where something in it cannot be read."""
    with form.collecting_errors():
        try:
            return read_pattern_form(form)
        except TradeError as trouble:
            form.refuse("cell_items", str(trouble))
    return None


def _read_items(form: Form, section: Where) -> tuple[Item, ...]:
    return tuple(
        _read_item(form, f"{section}_{number}_") for number in range(1, items_in(form, section) + 1)
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
        text = ("yes" if value else "") if name in SWITCHES else as_typed(value)
        row[name] = (text,)
    return row


def _rows(form: Form, section: Where) -> list[Row]:
    return [
        {name: form.typed.get(f"{section}_{number}_{name}", ("",)) for name in FIELDS}
        for number in range(1, items_in(form, section) + 1)
    ]


def _put_rows(form: Form, section: Where, rows: list[Row]) -> None:
    for number in range(1, max(items_in(form, section), len(rows)) + 1):
        for name in FIELDS:
            form.typed.pop(f"{section}_{number}_{name}", None)
    for number, row in enumerate(rows, 1):
        for name in FIELDS:
            form.typed[f"{section}_{number}_{name}"] = row.get(name, ("",))
    form.typed[f"{section}_items"] = (str(len(rows)),)


def _moved(form: Form, section: Where, number: int, verb: str) -> str:
    """One place up or down; beyond the first or last into the part of the pattern beside."""
    rows = _rows(form, section)
    row = rows.pop(number - 1)
    at = number - 2 if verb == "up" else number
    if 0 <= at <= len(rows):
        rows.insert(at, row)
        _put_rows(form, section, rows)
        return f"{verb}-{section}-{at + 1}"
    order = list(Where)
    beside = order.index(section) + (-1 if verb == "up" else 1)
    if not 0 <= beside < len(order) or items_in(form, order[beside]) >= MOST_ITEMS:
        return f"{verb}-{section}-{number}"
    others = _rows(form, order[beside])
    others.insert(len(others) if verb == "up" else 0, row)
    _put_rows(form, section, rows)
    _put_rows(form, order[beside], others)
    return f"{verb}-{order[beside]}-{len(others) if verb == 'up' else 1}"


router = APIRouter(prefix="/designs/{design_id}")
SHOW, PROPOSE, READ = "show", "propose", "read"
HINTS = {
    Where.HEAD: "From the fixed end up to the first cell.",
    Where.CELL: "What every cell has, in order; its MEA among it.",
    Where.BETWEEN: "Between one cell and the next.",
    Where.TAIL: "From the last cell to the free end.",
}


@dataclass(frozen=True, slots=True)
class EditorPage:
    """The form of a pattern, the pile it makes, and what differs from the revision before."""

    design: DesignOnPage
    kept_pattern: KeptPattern
    pattern_waits: Proposal | None
    form: Form
    items: dict[Where, int]
    designed: AsDesignedPile | None
    before: RevisionBefore | None
    differences: tuple[str, ...]
    types: tuple[KnownType, ...]
    problems: tuple[str, ...] = ()
    read_from: str = ""
    cursor: str = ""
    hints: Mapping[Where, str] = field(default_factory=lambda: HINTS)
    kinds: tuple[Kind, ...] = LAYER_KINDS
    sides: tuple[Side, ...] = tuple(Side)
    backs: tuple[Back, ...] = tuple(Back)
    joints: tuple[Joint, ...] = tuple(Joint)
    facings: tuple[Facing, ...] = tuple(Facing)
    materials: tuple[Material, ...] = tuple(Material)


@router.get("/pattern.toml")
def export(me: Me, database: Database, design_id: int) -> Response:
    """Give the pattern as a TOML file."""
    need(me, Act.READ)
    with reading(database) as session:
        kept_pattern = pattern_of_design(session, design_id)
    if kept_pattern.pattern is None:
        raise NotFound("pattern of design", kept_pattern.design)
    content = (
        f"# {kept_pattern.design}: the order of the layers from the fixed end\n\n"
        + write_pattern(kept_pattern.pattern)
    )
    return download(content, "application/toml", kept_pattern.design, "{}.toml")


@router.get("/pattern")
def show(request: Request, me: Me, database: Database, design_id: int) -> Response:
    """Show the form of a design's pattern."""
    need(me, Act.DESIGN_WRITE)
    with reading(database) as session:
        design_shown = design(session, design_id)
        kept_pattern = pattern_of_design(session, design_id)
        waits = pattern_waiting(session, design_id)
    usual = replace(USUAL, least_cells=design_shown.least_cells, most_cells=design_shown.most_cells)
    begun = PatternEntry(kept_pattern.pattern or usual, kept_pattern.on_each_rod)
    if waits is not None:
        begun = pattern_proposed(json.loads(waits.content))
    form = form_of_pattern(
        request,
        begun.pattern,
        begun.on_each_rod,
        min(max(USUALLY_SHOWN, design_shown.least_cells), design_shown.most_cells),
    )
    return _editor(request, database, form, design_id)


@router.post("/pattern")
def edit(request: Request, me: Me, database: Database, form: Typed, design_id: int) -> Response:
    """Rearrange the list, show what it makes, read a file into it, or propose it."""
    need(me, Act.DESIGN_WRITE)
    do = form.raw("do") or SHOW
    if do == READ:
        problems, read_from = _read_file(form)
        return _editor(request, database, form, design_id, problems=problems, read_from=read_from)
    if do != PROPOSE:
        cursor = rearrange(form, do)
        return _editor(request, database, form, design_id, do=do, cursor=cursor)
    with form.collecting_errors():
        entry, reason = read_pattern_form(form), form.text("reason")
        with changing(database, me, key=form.key) as work:
            proposal_id = propose_pattern(work, design_id, entry, reason=reason)
            work.answer = f"/proposals/{proposal_id}"
        return go_on(request, work.answer)
    return _editor(request, database, form, design_id, do=PROPOSE)


def _editor(
    request: Request,
    database: Engine,
    form: Form,
    design_id: int,
    *,
    do: str = READ,
    cursor: str = "",
    problems: tuple[str, ...] = (),
    read_from: str = "",
) -> Response:
    with reading(database) as session:
        design_shown = design(session, design_id)
        kept_pattern = pattern_of_design(session, design_id)
        waits = pattern_waiting(session, design_id)
        before = revision_before(session, design_shown)
        types = known_types(session)
    refusals = dict(form.refused)
    entry = pattern_or_none(form)
    if do not in {SHOW, PROPOSE}:
        form.refused = refusals  # whoever rearranges a list need not have filled it in yet
    context = EditorPage(
        design_shown,
        kept_pattern,
        waits,
        form,
        {section: items_in(form, section) for section in Where},
        _drawn(form, entry.pattern, types, f"Pile of {kept_pattern.design} as designed")
        if entry
        else None,
        before,
        before.in_pattern(entry.pattern) if before and entry else (),
        types,
        problems,
        read_from,
        cursor,
    )
    status = form.status if do in {PROPOSE, READ} else 200
    if wants_part(request):
        name = "_pattern_shown.html" if do == SHOW else "_pattern_form.html"
        return part(request, f"designs/{name}", context, status)
    return page(request, "designs/pattern.html", context, status)


def _drawn(form: Form, pattern: Pattern, types: Sequence[KnownType], title: str) -> AsDesignedPile:
    cells_wished = plain_whole(form.raw("cells_shown").strip(), 5)
    cells_wished = USUALLY_SHOWN if cells_wished is None else cells_wished
    cells = min(max(cells_wished, pattern.least_cells), pattern.most_cells, MOST_CELLS)
    return as_designed(pattern, cells, types, title=title, is_slim=True)


def _read_file(form: Form) -> tuple[tuple[str, ...], str]:
    """Read a TOML file or text into the list; what is wrong with it, and what it was called."""
    files = form.files("file")
    name = (files[0].filename or "the file") if files else "what was pasted"
    if files:
        try:
            form.typed["toml"] = (files[0].file.read().decode("utf-8-sig"),)
        except UnicodeDecodeError:
            form.refused["file"] = f"{name} is no text in UTF-8. A TOML file would be right."
            return (), ""
    text = form.raw("toml")
    if not text.strip():
        form.refused["toml"] = "Nothing was chosen or pasted. A TOML file, or its text here."
        return (), ""
    try:
        pattern = read_pattern(text)
    except NotAPattern as trouble:
        number = len(trouble.problems)
        count = "one thing is" if number == 1 else f"{number} things are"
        form.refused["toml"] = f"{name} is no pattern yet: {count} wrong, listed here."
        return tuple(map(str, trouble.problems)), ""
    fill(form, pattern)
    form.typed["toml"] = ("",)
    return (), name
