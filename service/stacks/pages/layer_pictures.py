"""A layer map as section, table and plan of the rods: written as text, not through templates."""

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from html import escape

from service.closing.drawings.rods import draw_rods
from service.closing.queries.build_torques import BuildTorques
from service.designs.arithmetic.pile import counts, height_mm
from service.platform.arithmetic.vocabulary import Facing, Kind, Usability
from service.platform.pages.kept_drawings import drawing_cache
from service.platform.pages.render import quantity
from service.stacks.arithmetic.comparison import Mark
from service.stacks.drawings.clamp import Fluid, Port, Rods
from service.stacks.drawings.pile import draw_pile
from service.stacks.queries.layer_maps import LayerMap, TypeFacts

Marks = Callable[[str], str]
"""Writes a state as its word with its mark."""
TALL = 60
"""Rows from which a table scrolls in its own frame, so that the sheet stays short."""
CALM = frozenset({Usability.ACCEPTED.value, Usability.ACCEPTED_USED.value})


@dataclass(frozen=True, slots=True)
class How:
    """How a section is drawn, and where its broken middle leads."""

    equal_layers: bool = False
    whole: bool = False
    open_link: str = ""
    prefix: str = "pile"


def section(
    pile_map: LayerMap, title: str, how: How, changes: Iterable[Mark] = (), against: str = ""
) -> str:
    """Draw the section through a pile as SVG.

    ``against`` is the digest of the pile compared with.
    """
    if not pile_map.rows:
        return ""

    def draw() -> str:
        fixed = {fixing.kind for fixing in pile_map.fixings}
        return draw_pile(
            pile_map.layers,
            title=title,
            ports=[Port(Fluid(port.fluid), port.end, port.label) for port in pile_map.ports],
            rods=Rods(
                len(pile_map.rods),
                sleeves=Kind.SLEEVE in fixed,
                disc_springs=Kind.DISC_SPRING in fixed,
            )
            if pile_map.rods
            else None,
            changes=tuple(changes),
            link=lambda layer: f"/parts/{layer.part}",
            equal_layers=how.equal_layers,
            broken=not how.whole,
            open_link=how.open_link or None,
            prefix=how.prefix,
        )

    return drawing_cache.get(("section", pile_map.digest, title, how, against), draw)


def rod_plan(pile_map: LayerMap, torques: BuildTorques | None, title: str) -> str:
    """Draw the compression plate in plan as SVG, with the final reading beside each nut."""
    if not pile_map.rods:
        return ""
    wide, high = pile_map.stack.plate_width_mm, pile_map.stack.plate_height_mm

    def draw() -> str:
        return draw_rods(
            [(rod.number, rod.x_mm, rod.y_mm) for rod in pile_map.rods],
            wide,
            high,
            title=title,
            readings={rod.rod_number: rod.torque_nm for rod in torques.rods if not rod.press}
            if torques
            else {},
            out_of_tolerance=[r.rod_number for r in torques.out_of_tolerance] if torques else (),
            order=[rod.number for rod in sorted(pile_map.rods, key=lambda rod: rod.turn)],
        )

    return drawing_cache.get(
        ("rods", pile_map.rods, wide, high, torques and torques.rods, title), draw
    )


def layer_table(
    pile_map: LayerMap,
    title: str,
    marks: Marks,
    *,
    as_today: bool,
    held: frozenset[int] = frozenset(),
    numbers: Mapping[int, int] | None = None,
) -> str:
    """Return all layers as an HTML table, position 1 at the fixed end.

    as_today: tell whether each part may be used, which is known of today only.
    held: parts on hold, by themselves or with their lot.
    numbers: revision number by part, where the pile is compared with another.
    """
    key = ("table", pile_map.digest, title, as_today, held, tuple((numbers or {}).items()))
    return drawing_cache.get(
        key,
        lambda: _table(pile_map, title, marks, as_today=as_today, held=held, numbers=numbers or {}),
    )


def pile_in_words(pile_map: LayerMap) -> str:
    """Say how many cells, half plates and layers the pile has, and how high it is."""
    return drawing_cache.get(("pile", pile_map.digest), lambda: _counted(pile_map))


def _counted(pile_map: LayerMap) -> str:
    tally = counts(pile_map.layers)
    blank = f" and {tally.blank_cells} blank" if tally.blank_cells else ""
    return (
        f"{tally.cells} cells{blank}, {tally.half_plates} half plates, "
        f"{tally.coolant_layers} coolant layers; {tally.layers} layers, "
        f"{quantity(height_mm(pile_map.layers), 'mm', 1)} high, the sum of thicknesses"
    )


def kind_in_words(of_type: TypeFacts) -> str:
    """Return what a part is, with the gas it meets or the joint it seals."""
    if of_type.kind is Kind.HALF_PLATE and of_type.side:
        return f"half plate, {of_type.side} side"
    if of_type.kind is Kind.GASKET and of_type.joint:
        return f"{of_type.joint} gasket"
    return of_type.kind.value


def faces_in_words(facing: str, marked_face: str | None) -> str:
    """Say which way a part lies, in the words of its type."""
    if facing == Facing.EITHER.value:
        return "either way"
    return f"{marked_face or 'marked face'} to the {facing}"


def _table(
    pile_map: LayerMap,
    title: str,
    marks: Marks,
    *,
    as_today: bool,
    held: frozenset[int],
    numbers: Mapping[int, int],
) -> str:
    lots = {lot_id: escape(label) for lot_id, label in pile_map.lots.items()}
    type_words = {
        type_id: (escape(kind_in_words(of_type)), escape(of_type.name), of_type.marked_face)
        for type_id, of_type in pile_map.types.items()
    }
    facings: dict[tuple[str, str | None], str] = {}
    usable: dict[str, str] = {}
    rows = []
    for (
        position,
        part,
        facing,
        cell,
        serial,
        item,
        type_id,
        lot_id,
        use,
        correction,
    ) in pile_map.rows:
        kind, name, marked_face = type_words[type_id]
        lot = lots.get(lot_id or 0, "")
        label = escape(serial) if serial is not None else f"{lot} item {item}"
        lies = facings.get((facing, marked_face))
        if lies is None:
            lies = facings[facing, marked_face] = escape(faces_in_words(facing, marked_face))
        if lot:
            lot = f'<a class="serial" href="/lots/{lot_id}">{lot}</a>'
        if correction is not None:
            lot += f' <a class="late" href="/corrections/{correction}">corrected</a>'
        if as_today:
            word = Usability.ON_HOLD.value if part in held else use
            may_be = usable.get(word)
            if may_be is None:
                may_be = usable[word] = marks(word) if word not in CALM else escape(word)
            last = f"<td>{may_be}</td>"
        else:
            last = ""
        number = numbers.get(part)
        begin = (
            f'<tr class="marked" id="layer-{position}">'
            if number
            else f'<tr id="layer-{position}">'
        )
        mark = f'<td class="num">{number or ""}</td>' if numbers else ""
        rows.append(
            f'{begin}{mark}<th scope="row" class="num">{position}</th>'
            f'<td class="num">{cell or ""}</td><td>{kind}</td>'
            f'<td><a class="serial" href="/parts/{part}">{label}</a></td>'
            f"<td>{name}</td><td>{lot}</td><td>{lies}</td>{last}</tr>"
        )
    heads = '<th scope="col" class="num">position</th><th scope="col" class="num">cell</th>'
    for head in ("part", "serial or item", "type", "lot", "lies"):
        heads += f'<th scope="col">{head}</th>'
    if as_today:
        heads += '<th scope="col">may be used</th>'
    if numbers:
        heads = f'<th scope="col" class="num">change</th>{heads}'
    escaped_title = escape(title)
    tall = " tall" if len(rows) > TALL else ""
    return (
        f'<div class="table{tall}" role="region" tabindex="0" aria-label="{escaped_title}"><table>'
        f"<caption>{escaped_title}</caption><thead><tr>{heads}</tr></thead><tbody>\n"
        + "\n".join(rows)
        + "\n</tbody></table></div>"
    )
