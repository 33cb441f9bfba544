"""Designs: the list, one of them, a new one or a new revision, and changing one not yet used."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from fastapi import APIRouter, Request, Response
from sqlalchemy import Engine

from service.closing.drawings.rods import draw_rods
from service.designs.arithmetic.grammar import Where
from service.designs.arithmetic.make_safe import DEFAULT_LINES, LineAsked
from service.designs.changes import FLUIDS, change_design, make_design
from service.designs.pages.patterns import USUALLY_SHOWN, AsDesignedPile, as_designed
from service.designs.queries import (
    DesignEntry,
    DesignOnPage,
    DesignRow,
    KeptPattern,
    LineEntry,
    PortEntry,
    RevisionBefore,
    RodEntry,
    design,
    design_list,
    known_types,
    pattern_of_design,
    revision_before,
)
from service.limits.queries import LimitsRow, limits_of_design
from service.people.pages.signing_in import Database, Me
from service.platform.arithmetic.vocabulary import End
from service.platform.database import changing, reading
from service.platform.pages.forms import Asked, Form, Typed, blank
from service.platform.pages.lists import Shown, shown, turn_asked
from service.platform.pages.render import go_on, page, part, wants_part
from service.platform.permissions import Act, need

# The form of a design: rows of rods, ports and checklist lines, read and written.
#
# A row left empty does not count. “More rows” shows the form again with further empty ones.


SPARE_ROWS = 4


MOST_ROWS = 60


ROD_FIELDS = ("x_mm", "y_mm", "turn")


PORT_FIELDS = ("end", "fluid", "label")


LINE_FIELDS = ("wording", "unit", "reading_most", "needs_instrument", "needs_witness")


TEXTS = ("name", "revision", "cooling")


NUMBERS = {
    "active_area_cm2": "cm²",
    "plate_width_mm": "mm",
    "plate_height_mm": "mm",
    "rod_length_mm": "mm",
    "target_torque_nm": "N·m",
    "torque_tolerance_percent": "%",
}


WHOLES = ("least_cells", "most_cells", "tightening_passes")


def new_form(request: Request) -> Form:
    """Return the form of a new design, with the checklist and ports one usually begins with."""
    form: dict[str, object] = {"torque_tolerance_percent": 6, "tightening_passes": 3}
    form |= _rods_kept(())
    form |= _ports_kept(
        [PortEntry(End.FIXED, fluid, f"{fluid} {way}") for fluid in FLUIDS for way in ("in", "out")]
    )
    return blank(request, **form | _lines_kept(DEFAULT_LINES))


def form_of(request: Request, design: DesignOnPage, *, revision: str) -> Form:
    """Return the form of a design as it stands, or of a new revision made from it."""
    names = (*TEXTS, *NUMBERS, *WHOLES, "notes")
    form: dict[str, object] = {name: getattr(design, name) for name in names}
    form["revision"] = revision
    form |= _rods_kept(design.rods) | _ports_kept(design.ports) | _lines_kept(design.checklist)
    return blank(request, **form)


def read_design(form: Form) -> DesignEntry:
    """Return the entry of a form; what cannot be read is refused beside its field."""
    values: dict[str, object] = {name: form.text(name, most=200) for name in TEXTS}
    for name, unit in NUMBERS.items():
        values[name] = form.number(name, unit=unit)
    for name in WHOLES:
        values[name] = form.whole(name, least=1, most=10_000)
    values["notes"] = form.text("notes", required=False)
    rods, ports, lines = _read_rods(form), _read_ports(form), _read_lines(form)
    form.check()
    return DesignEntry(**values, rods=rods, ports=ports, checklist=lines)  # type: ignore[arg-type]


def rows_shown(form: Form, kind: str) -> int:
    """Say how many rows of rods, ports or lines a form shows: those sent, or those begun with."""
    text = form.kept(f"{kind}_rows")
    return min(int(text), MOST_ROWS) if text.isdigit() else 0


def with_more_rows(form: Form) -> Form:
    """Return the same form with more empty rows of what “more” names."""
    kind = form.kept("more")
    if kind in {"rod", "port", "line"}:
        more = min(rows_shown(form, kind) + SPARE_ROWS, MOST_ROWS)
        form.typed[f"{kind}_rows"] = (str(more),)
    return form


def _read_rods(form: Form) -> tuple[RodEntry, ...]:
    rods: list[RodEntry] = []
    for row in range(1, rows_shown(form, "rod") + 1):
        if not any(form.kept(f"rod_{row}_{field}").strip() for field in ROD_FIELDS):
            continue
        number = len(rods) + 1
        if row != number:
            _close_up(form, "rod", row, number, ROD_FIELDS)
        x_mm = form.number(f"rod_{number}_x_mm", unit="mm")
        y_mm = form.number(f"rod_{number}_y_mm", unit="mm")
        turn = form.whole(f"rod_{number}_turn", least=1, most=MOST_ROWS)
        rods.append(RodEntry(number, x_mm or 0.0, y_mm or 0.0, turn or 0))
    return tuple(rods)


def _read_ports(form: Form) -> tuple[PortEntry, ...]:
    ports: list[PortEntry] = []
    for row in range(1, rows_shown(form, "port") + 1):
        if not form.kept(f"port_{row}_label").strip():
            continue
        number = len(ports) + 1
        if row != number:
            _close_up(form, "port", row, number, PORT_FIELDS)
        end = form.choice(f"port_{number}_end", End)
        fluid = form.one_of(f"port_{number}_fluid", FLUIDS)
        label = form.text(f"port_{number}_label", most=60)
        ports.append(PortEntry(end or End.FIXED, fluid, label))
    return tuple(ports)


def _read_lines(form: Form) -> tuple[LineEntry, ...]:
    lines: list[LineEntry] = []
    for row in range(1, rows_shown(form, "line") + 1):
        if not form.kept(f"line_{row}_wording").strip():
            continue
        number = len(lines) + 1
        if row != number:
            _close_up(form, "line", row, number, LINE_FIELDS)
        at = f"line_{number}_"
        lines.append(
            LineEntry(
                form.text(at + "wording", most=1000),
                form.text(at + "unit", required=False, most=20) or None,
                form.number(at + "reading_most", required=False),
                form.yes(at + "needs_instrument"),
                form.yes(at + "needs_witness"),
            )
        )
    return tuple(lines)


def _close_up(form: Form, kind: str, row: int, number: int, fields: tuple[str, ...]) -> None:
    """Move a row into the place of an empty one, so that fields and refusals stay together."""
    for field in fields:
        form.typed[f"{kind}_{number}_{field}"] = form.typed.pop(f"{kind}_{row}_{field}", ("",))


def _rods_kept(rods: Sequence[RodEntry]) -> dict[str, object]:
    kept: dict[str, object] = {"rod_rows": max(len(rods), SPARE_ROWS)}
    for rod in rods:
        kept |= {f"rod_{rod.number}_{field}": getattr(rod, field) for field in ROD_FIELDS}
    return kept


def _ports_kept(ports: Sequence[PortEntry]) -> dict[str, object]:
    kept: dict[str, object] = {"port_rows": max(len(ports), SPARE_ROWS)}
    for number, port in enumerate(ports, 1):
        kept |= {f"port_{number}_{field}": getattr(port, field) for field in PORT_FIELDS}
    return kept


def _lines_kept(lines: Sequence[LineEntry | LineAsked]) -> dict[str, object]:
    kept: dict[str, object] = {"line_rows": max(len(lines), SPARE_ROWS)}
    for number, line in enumerate(lines, 1):
        kept |= {f"line_{number}_{field}": getattr(line, field) for field in LINE_FIELDS}
    return kept


router = APIRouter(prefix="/designs")


@dataclass(frozen=True, slots=True)
class DesignsPage:
    """All designs."""

    designs: Shown[DesignRow]


@dataclass(frozen=True, slots=True)
class DesignPage:
    """One design, with the plan of its rods, its pile as designed, and the revision before."""

    design: DesignOnPage
    plan: str
    kept: KeptPattern
    form: Form
    designed: AsDesignedPile | None
    before: RevisionBefore | None
    in_pattern: tuple[str, ...]
    versions: tuple[LimitsRow, ...]
    parts: tuple[Where, ...] = tuple(Where)


@dataclass(frozen=True, slots=True)
class EntryPage:
    """The form of a new design, of a new revision, or of one to be changed."""

    form: Form
    rows: Mapping[str, int]
    changed: DesignOnPage | None = None
    made_from: DesignOnPage | None = None
    fluids: tuple[str, ...] = FLUIDS
    ends: tuple[End, ...] = tuple(End)


@router.get("")
def show_list(request: Request, me: Me, database: Database, asked: Asked) -> Response:
    """List the designs."""
    need(me, Act.READ)
    with reading(database) as session:
        found = design_list(session, turn_asked(request, asked))
    return page(request, "designs/list.html", DesignsPage(shown(request, found)))


@router.get("/new")
def show_new(request: Request, me: Me, database: Database, asked: Asked) -> Response:
    """Show the form of a new design, or of a new revision made from another."""
    need(me, Act.DESIGN_WRITE)
    start = asked.whole("from", required=False)
    if not start:
        return _entry_page(request, database, new_form(request))
    with reading(database) as session:
        old = design(session, start)
    form = form_of(request, old, revision="")
    form.typed["made_from"] = (str(old.id),)
    return _entry_page(request, database, form)


@router.post("/new")
def make(request: Request, me: Me, database: Database, form: Typed) -> Response:
    """Make a design."""
    need(me, Act.DESIGN_WRITE)
    if form.kept("more"):
        return _entry_page(request, database, with_more_rows(form))
    with form.keeping():
        entry, old = read_design(form), form.whole("made_from", required=False)
        with changing(database, me, key=form.key) as work:
            work.answer = f"/designs/{make_design(work, entry, made_from=old)}"
        return go_on(request, work.answer)
    return _entry_page(request, database, form)


@router.get("/{design_id}")
def show(request: Request, me: Me, database: Database, asked: Asked, design_id: int) -> Response:
    """Show one design, and its pile for as many cells as are asked for."""
    need(me, Act.READ)
    with reading(database) as session:
        shown = design(session, design_id)
        kept = pattern_of_design(session, design_id)
        before = revision_before(session, shown)
        types = known_types(session) if kept.pattern else ()
        versions = limits_of_design(session, design_id)
    cells = asked.whole("cells", least=shown.least_cells, most=shown.most_cells, required=False)
    cells = cells or min(max(USUALLY_SHOWN, shown.least_cells), shown.most_cells)
    asked.typed.setdefault("cells", (str(cells),))
    title = f"Pile of {kept.design} as designed"
    context = DesignPage(
        shown,
        _plan(shown),
        kept,
        asked,
        as_designed(kept.pattern, cells, types, title=title) if kept.pattern else None,
        before,
        before.in_pattern(kept.pattern) if before else (),
        versions,
    )
    if wants_part(request):
        return part(request, "designs/_as_designed.html", context, asked.status)
    return page(request, "designs/show.html", context, asked.status)


@router.get("/{design_id}/edit")
def show_edit(request: Request, me: Me, database: Database, design_id: int) -> Response:
    """Show the form of a design no stack uses yet."""
    need(me, Act.DESIGN_WRITE)
    with reading(database) as session:
        changed = design(session, design_id)
    form = form_of(request, changed, revision=changed.revision)
    return _entry_page(request, database, form, design_id)


@router.post("/{design_id}/edit")
def change(request: Request, me: Me, database: Database, form: Typed, design_id: int) -> Response:
    """Change a design no stack uses yet."""
    need(me, Act.DESIGN_WRITE)
    if form.kept("more"):
        return _entry_page(request, database, with_more_rows(form), design_id)
    with form.keeping():
        entry, reason = read_design(form), form.text("reason")
        with changing(database, me, key=form.key) as work:
            work.answer = f"/designs/{design_id}"
            change_design(work, design_id, entry, reason=reason)
        return go_on(request, work.answer)
    return _entry_page(request, database, form, design_id)


def _entry_page(
    request: Request,
    database: Engine,
    form: Form,
    design_id: int | None = None,
) -> Response:
    changed = made_from = None
    old = form.whole("made_from", required=False) if "made_from" in form.typed else None
    if design_id is not None or old:
        with reading(database) as session:
            changed = design(session, design_id) if design_id is not None else None
            made_from = design(session, old) if old else None
    rows = {kind: rows_shown(form, kind) for kind in ("rod", "port", "line")}
    template = "designs/new.html" if changed is None else "designs/edit.html"
    return page(request, template, EntryPage(form, rows, changed, made_from), form.status)


def _plan(shown: DesignOnPage) -> str:
    return draw_rods(
        [(rod.number, rod.x_mm, rod.y_mm) for rod in shown.rods],
        shown.plate_width_mm,
        shown.plate_height_mm,
        title=f"Rods of {shown.name} {shown.revision}",
        order=[rod.number for rod in sorted(shown.rods, key=lambda rod: rod.turn)],
    )
