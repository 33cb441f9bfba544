"""A list of instruments, read against the database: what it would make, and every row in error.

Each row is an instrument with its mark; where it says when it was calibrated, it has its last
calibration too. Days and numbers are read as in lists of parts.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, fields, replace
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from service.platform.arithmetic.errors import OutOfRange
from service.platform.arithmetic.fields import Asks, Field, words
from service.platform.errors import Refused
from service.platform.files.fields_in import Reading, day_in, number_in, whole_in
from service.platform.files.tables_in import Cell, Row, Table, text_of
from service.platform.queries.statements import param_list
from service.store.arithmetic.calibrations import POINT, Point, read_points
from service.store.arithmetic.identifiers import serial_key
from service.store.arithmetic.instruments import ADDED_FIELDS, CALIBRATION_FIELDS
from service.store.changes.calibrations import CalibrationEntry, checked_calibration
from service.store.changes.imports import InstrumentsPlan, NewInstrument, SourceFile
from service.store.changes.instruments import InstrumentEntry, checked_instrument
from service.store.files.parts_in import Wrong
from service.store.tables import Instrument

MORE_HEADINGS: Mapping[str, tuple[str, ...]] = {
    "label": ("mark", "label", "id", "instrument", "inventory number", "Inventarnummer"),
    "kind": ("kind", "type of instrument", "Art"),
    "unit": ("unit", "Einheit"),
    "done_at": ("calibrated on", "calibrated", "last calibration", "done", "Kalibriert am"),
    "due_at": ("due on", "due", "next calibration", "valid until", "Fällig am"),
    "certificate": ("certificate", "certificate no", "Zertifikat", "Kalibrierschein"),
    "range_least": ("range from", "from", "range least", "von"),
    "range_most": ("range to", "to", "full scale", "range most", "bis"),
}
POINTS = words(
    "points", "Points of the certificate", required=False, longest=4000,
    help=f"{POINT}; several parted by a stroke |.",
)  # fmt: skip
INSTRUMENT_COLUMNS: tuple[Field, ...] = tuple(
    replace(
        field,
        headings=(*MORE_HEADINGS.get(field.name, ()), field.in_list, field.name.replace("_", " ")),
    )
    for field in (*ADDED_FIELDS, *CALIBRATION_FIELDS, POINTS)
)
"""What a list can say; of the calibration nothing counts without its day."""
WHOLE_CALIBRATION = (
    "A row with a calibration gives its day, when the next one is due, certificate and result."
)
SYNONYMS = {field.name: field.headings for field in INSTRUMENT_COLUMNS}
LABELS = {field.name: field.in_list for field in INSTRUMENT_COLUMNS}
HEADINGS = tuple(SYNONYMS.values())
MARKS = select(Instrument.label_key).where(Instrument.label_key.in_(param_list("marks")))


@dataclass(frozen=True, slots=True)
class InstrumentsSeen:
    """What a list would make, and what is wrong with it."""

    plan: InstrumentsPlan
    wrong: tuple[Wrong, ...]

    @property
    def may_be_written(self) -> bool:
        """Say whether every row is right and there is something to make."""
        return not self.wrong and bool(self.plan.instruments)


def plan(
    session: Session, table: Table, mapping: Mapping[str, int], source: SourceFile, how: Reading
) -> InstrumentsSeen:
    """Return what this list would make, and which rows cannot be taken. One statement.

    ``mapping`` says for each field of `INSTRUMENT_COLUMNS` in which column of the table it stands.
    Raises Refused where no column says which instruments these are.
    """
    for name in ("label", "kind"):
        if name not in mapping:
            raise Refused("mapping", "", f"no column tells the {name}.", "Say which one does.")
    wrong: list[Wrong] = []
    new: list[NewInstrument] = []
    for row in table.rows:
        of_row: list[Refused] = []
        taken = _row(row, mapping, how, of_row)
        wrong += [Wrong(row.line, _named(refusal)) for refusal in of_row]
        if taken is not None:
            new.append(taken)
    marks = [serial_key(each.entry.label) for each in new]
    known = set(session.scalars(MARKS, {"marks": marks}))
    lines: dict[str, int] = {}
    for each, mark in zip(new, marks, strict=True):
        first = lines.setdefault(mark, each.line)
        reason = f"it stands in line {first} as well." if first != each.line else ""
        if reason or mark in known:
            reason = reason or "another instrument bears this mark."
            refusal = Refused(LABELS["label"], each.entry.label, reason, "A mark of its own.")
            wrong.append(Wrong(each.line, refusal))
    return InstrumentsSeen(
        InstrumentsPlan(source, tuple(new)), tuple(sorted(wrong, key=lambda each: each.line))
    )


def _named(refusal: Refused) -> Refused:
    """A refusal at the field's name as people know it."""
    refusal.field = LABELS.get(refusal.field, refusal.field)
    return refusal


def _row(
    row: Row, mapping: Mapping[str, int], how: Reading, wrong: list[Refused]
) -> NewInstrument | None:
    values: dict[str, Any] = {}
    for field in INSTRUMENT_COLUMNS:
        cell = row.cells[mapping[field.name]] if field.name in mapping else None
        try:
            values[field.name] = _value(field, cell, how)
        except Refused as refusal:
            wrong.append(refusal)
    if wrong:
        return None
    try:
        entry = checked_instrument(how.now, _made(InstrumentEntry, values))
        calibration = None
        if _has_calibration(values):
            calibration = checked_calibration(how.now, entry, _made(CalibrationEntry, values))
    except Refused as refusal:
        wrong.append(refusal)
        return None
    return NewInstrument(row.line, entry, calibration)


def _made(kind: type[Any], values: Mapping[str, Any]) -> Any:
    """An entry of what is given; what is not is as its kind has it."""
    given = {of.name: values[of.name] for of in fields(kind) if values.get(of.name) is not None}
    return kind(**given)


def _has_calibration(values: Mapping[str, Any]) -> bool:
    """Whether a row has a calibration. Raises Refused for half of one."""
    if not any(values[field.name] for field in CALIBRATION_FIELDS):
        return False
    for field in CALIBRATION_FIELDS:
        if field.required and values[field.name] is None:
            raise Refused(field.name, "", "not given.", WHOLE_CALIBRATION)
    return True


def _value(field: Field, cell: Cell, how: Reading) -> Any:
    """What a cell says of a field; None where it is empty. Raises Refused."""
    text = text_of(cell)
    is_of_instrument = field in INSTRUMENT_COLUMNS[: len(ADDED_FIELDS)]
    if not text:
        if field.required and is_of_instrument:
            raise Refused(field.name, "", "nothing is given.", field.right)
        return None
    if field.name == POINTS.name:
        return _points(text)
    return READ.get(field.asks, _text)(cell, field, how)


def _text(cell: Cell, _field: Field, _how: Reading) -> str:
    return text_of(cell)


def _chosen(cell: Cell, field: Field, _how: Reading) -> str:
    text = text_of(cell)
    chosen = next((word for word in field.choices if word == text.casefold()), None)
    if chosen is None:
        right = f"One of: {', '.join(field.choices)}."
        raise Refused(field.name, text, "it is none of the words for it.", right)
    return chosen


READ: Mapping[Asks, Callable[[Cell, Field, Reading], Any]] = {
    Asks.DAY: lambda cell, field, how: day_in(cell, field.name, how, ahead=field.ahead),
    Asks.NUMBER: lambda cell, field, how: number_in(cell, field.name, how),
    Asks.WHOLE: lambda cell, field, how: whole_in(cell, field.name, how, least=1),
    Asks.CHOICE: _chosen,
}


def _points(text: str) -> tuple[Point, ...]:
    try:
        return read_points(text.replace("|", "\n"))
    except OutOfRange as trouble:
        raise Refused(POINTS.name, text, str(trouble), POINTS.help) from trouble
