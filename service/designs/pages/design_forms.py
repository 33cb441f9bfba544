"""The form of a design: rows of rods, ports and checklist lines, read and written.

A row left empty does not count. “More rows” shows the form again with further empty ones.
"""

from fastapi import Request

from service.designs.arithmetic.make_safe_lines import DEFAULT_LINES
from service.designs.changes.designs import FLUIDS, DesignEntry, LineEntry, PortEntry, RodEntry
from service.designs.queries.designs import DesignOnPage
from service.platform.arithmetic.vocabulary import End
from service.platform.pages.forms import Form, blank

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
    """The form of a new design, with the checklist and ports one usually begins with."""
    form: dict[str, object] = {"torque_tolerance_percent": 6, "tightening_passes": 3}
    form |= _rods_kept(())
    form |= _ports_kept(
        [PortEntry(End.FIXED, fluid, f"{fluid} {way}") for fluid in FLUIDS for way in ("in", "out")]
    )
    lines = [
        LineEntry(
            line.wording, line.unit, line.reading_most, line.needs_instrument, line.needs_witness
        )
        for line in DEFAULT_LINES
    ]
    return blank(request, **form | _lines_kept(lines))


def form_of(request: Request, design: DesignOnPage, *, revision: str) -> Form:
    """The form of a design as it stands, or of a new revision made from it."""
    names = (*TEXTS, *NUMBERS, *WHOLES, "notes")
    form: dict[str, object] = {name: getattr(design, name) for name in names}
    form["revision"] = revision
    form |= _rods_kept([RodEntry(rod.number, rod.x_mm, rod.y_mm, rod.turn) for rod in design.rods])
    form |= _ports_kept([PortEntry(End(p.end), p.fluid, p.label) for p in design.ports])
    form |= _lines_kept(
        [
            LineEntry(
                line.wording,
                line.unit,
                line.reading_most,
                line.needs_instrument,
                line.needs_witness,
            )
            for line in design.checklist
        ]
    )
    return blank(request, **form)


def read_design(form: Form) -> DesignEntry:
    """The entry of a form; what cannot be read is refused beside its field."""
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
    """How many rows of rods, ports or lines a form shows: those sent, or those begun with."""
    text = form.kept(f"{kind}_rows")
    return min(int(text), MOST_ROWS) if text.isdigit() else 0


def with_more_rows(form: Form) -> Form:
    """The same form with more empty rows of what “more” names."""
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


def _rods_kept(rods: list[RodEntry] | tuple[RodEntry, ...]) -> dict[str, object]:
    kept: dict[str, object] = {"rod_rows": max(len(rods), SPARE_ROWS)}
    for rod in rods:
        kept |= {f"rod_{rod.number}_{field}": getattr(rod, field) for field in ROD_FIELDS}
    return kept


def _ports_kept(ports: list[PortEntry]) -> dict[str, object]:
    kept: dict[str, object] = {"port_rows": max(len(ports), SPARE_ROWS)}
    for number, port in enumerate(ports, 1):
        kept |= {f"port_{number}_{field}": getattr(port, field) for field in PORT_FIELDS}
    return kept


def _lines_kept(lines: list[LineEntry]) -> dict[str, object]:
    kept: dict[str, object] = {"line_rows": max(len(lines), SPARE_ROWS)}
    for number, line in enumerate(lines, 1):
        kept |= {f"line_{number}_{field}": getattr(line, field) for field in LINE_FIELDS}
    return kept
