"""Lists of parts and of instruments, written all or nothing.

What is to be made was read from a file and looked at before (store/files); here it is
checked against the database once more, in the same transaction that writes it.
"""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import insert, select

from service.platform.arithmetic.vocabulary import Usability
from service.platform.audit import Event
from service.platform.database import Work
from service.platform.errors import Refused, RefusedTogether
from service.platform.permissions import Act, need
from service.platform.queries.answers import columns, read_as
from service.store.arithmetic.identifiers import maker_key, namesake_of, serial_key
from service.store.arithmetic.lot_roles import LotRole
from service.store.changes.calibrations import CalibrationEntry, put_calibration
from service.store.changes.instruments import InstrumentEntry, put_instrument
from service.store.changes.lot_inputs import put_input
from service.store.changes.lots import LotEntry, put_lot
from service.store.changes.parts import PartEntry, taken
from service.store.tables import Lot, Part

AT_ONCE = 500

LotKey = tuple[int, str]
"""part type and the label's key"""


@dataclass(frozen=True, slots=True)
class SourceFile:
    """Where a list came from."""

    name: str
    sha256: str


@dataclass(frozen=True, slots=True)
class NewLot:
    """A lot a list speaks of and the database does not have; ``line`` is of the file.

    ``made_of``: the lots that went into it, in which role, and since when.
    """

    line: int
    part_type_id: int
    entry: LotEntry
    made_of: tuple[tuple[LotRole, LotKey, datetime | None], ...] = ()

    @property
    def key(self) -> LotKey:
        """By what it is known."""
        return self.part_type_id, serial_key(self.entry.label)


@dataclass(frozen=True, slots=True)
class NewPart:
    """A part a list speaks of; ``entry.lot_id`` is set later where its lot is new too."""

    line: int
    part_type_id: int
    entry: PartEntry
    lot: LotKey | None = None
    lot_label: str = ""


@dataclass(frozen=True, slots=True)
class PartsPlan:
    """What a list would make."""

    source: SourceFile
    lots: tuple[NewLot, ...]
    parts: tuple[NewPart, ...]


def write_parts(work: Work, plan: PartsPlan) -> int:
    """Make everything a list speaks of, or nothing; give the number of parts and lots made.

    Needs leave to import, and leave to judge parts where the list judges any. Raises
    RefusedTogether naming the line of everything that was added by somebody else meanwhile.
    """
    need(work.by, Act.IMPORT)
    if any(part.entry.usability is not Usability.NOT_INSPECTED for part in plan.parts):
        need(work.by, Act.PART_JUDGE)
    if not (plan.parts or plan.lots):
        raise Refused("file", plan.source.name, "there is nothing in it to be made.")
    _refuse_taken(work, plan.parts)
    inputs = {key for lot in plan.lots for _role, key, _since in lot.made_of}
    lot_ids = lots_known(work.session, inputs | {part.lot for part in plan.parts if part.lot})
    for lot in plan.lots:
        lot_ids[lot.key] = put_lot(work, lot.part_type_id, lot.entry).id
    for lot in plan.lots:
        for role, key, since in lot.made_of:
            put_input(work, lot_ids[lot.key], lot_ids[key], role, since)
    rows = [_row(work, part, lot_ids) for part in plan.parts]
    for start in range(0, len(rows), AT_ONCE):
        work.session.execute(insert(Part), rows[start : start + AT_ONCE])
    work.note(
        Event.PARTS_IMPORTED,
        ("list", None, plan.source.name),
        [
            ("file", None, plan.source.name),
            ("SHA-256", None, plan.source.sha256),
            ("parts", None, len(plan.parts)),
            ("lots", None, len(plan.lots)),
            ("serials", None, _shortened(part.entry.serial for part in plan.parts)),
        ],
    )
    return len(plan.parts) + len(plan.lots)


@dataclass(frozen=True, slots=True)
class NewInstrument:
    """An instrument a list speaks of, with its last calibration; None: it has none."""

    line: int
    entry: InstrumentEntry
    calibration: CalibrationEntry | None


@dataclass(frozen=True, slots=True)
class InstrumentsPlan:
    """What a list of instruments would make."""

    source: SourceFile
    instruments: tuple[NewInstrument, ...]


def write_instruments(work: Work, plan: InstrumentsPlan) -> int:
    """Make every instrument of a list with its calibration, or none; give how many.

    Raises Refused for a mark another one bears.
    """
    need(work.by, Act.IMPORT)
    need(work.by, Act.INSTRUMENT_WRITE)
    if not plan.instruments:
        raise Refused("file", plan.source.name, "there is nothing in it to be made.")
    for each in plan.instruments:
        row = put_instrument(work, each.entry)
        if each.calibration is not None:
            put_calibration(work, row.id, each.calibration)
    marks = (each.entry.label for each in plan.instruments)
    work.note(
        Event.INSTRUMENTS_IMPORTED,
        ("list", None, plan.source.name),
        [
            ("file", None, plan.source.name),
            ("SHA-256", None, plan.source.sha256),
            ("instruments", None, len(plan.instruments)),
            ("marks", None, _shortened(marks)),
        ],
    )
    return len(plan.instruments)


def lots_known(session: Any, keys: Iterable[LotKey]) -> dict[LotKey, int]:
    """Return which of these lots the database has, and under which id."""
    wanted_keys = set(keys)
    labels = sorted({label for _type, label in wanted_keys})
    lot_ids: dict[LotKey, int] = {}
    for start in range(0, len(labels), AT_ONCE):
        rows = session.execute(
            select(Lot.id, Lot.part_type_id, Lot.label_key).where(
                Lot.label_key.in_(labels[start : start + AT_ONCE])
            )
        )
        lot_ids |= {(row.part_type_id, row.label_key): row.id for row in rows}
    return {key: lot_id for key, lot_id in lot_ids.items() if key in wanted_keys}


def lots_labelled(session: Any, labels: Iterable[str]) -> dict[LotKey, LotEntry]:
    """Return what is kept of all lots that bear one of these labels, whatever their part type."""
    label_keys = sorted({serial_key(label) for label in labels} - {""})
    lots: dict[LotKey, LotEntry] = {}
    for start in range(0, len(label_keys), AT_ONCE):
        rows = session.execute(
            select(Lot.part_type_id, Lot.label_key, *columns(LotEntry, Lot)).where(
                Lot.label_key.in_(label_keys[start : start + AT_ONCE])
            )
        )
        lots |= {(row.part_type_id, row.label_key): read_as(LotEntry, row) for row in rows}
    return lots


Namesakes = Mapping[tuple[int, str], Mapping[str, str]]
"""The makers, by key, of parts by part type and serial key."""


def namesakes(session: Any, keys: Iterable[tuple[int, str]]) -> Namesakes:
    """Return which of these (part type, serial key) the database has, and of which makers."""
    wanted_keys = set(keys)
    serials = sorted({serial for _type, serial in wanted_keys})
    makers: dict[tuple[int, str], dict[str, str]] = {}
    for start in range(0, len(serials), AT_ONCE):
        rows = session.execute(
            select(Part.part_type_id, Part.serial_key, Part.maker_key, Part.maker).where(
                Part.serial_key.in_(serials[start : start + AT_ONCE])
            )
        )
        for type_id, serial, key, maker in rows:
            if (type_id, serial) in wanted_keys:
                makers.setdefault((type_id, serial), {})[key] = maker
    return makers


def taken_in(session: Any, parts: Iterable[NewPart]) -> Iterator[tuple[NewPart, Refused]]:
    """Yield the parts of a list that the database may have already, with the refusal of each."""
    keyed = [((part.part_type_id, serial_key(part.entry.serial)), part) for part in parts]
    known = namesakes(session, (key for key, _part in keyed))
    for key, part in keyed:
        same = namesake_of(part.entry.maker, known.get(key, {}))
        if same is not None:
            has = "there is such a part of this type"
            yield part, taken(part.entry.serial, part.entry.maker, has, same)


def _refuse_taken(work: Work, parts: Sequence[NewPart]) -> None:
    wrong = [
        Refused(
            refusal.field,
            refusal.value,
            f"line {part.line}: {refusal.reason}",
            "The list as it was looked at, without that line.",
        )
        for part, refusal in taken_in(work.session, parts)
    ]
    if wrong:
        raise RefusedTogether(wrong)


def _row(work: Work, part: NewPart, lot_ids: dict[LotKey, int]) -> dict[str, object]:
    return asdict(part.entry) | {
        "part_type_id": part.part_type_id,
        "lot_id": lot_ids[part.lot] if part.lot else part.entry.lot_id,
        "serial_key": serial_key(part.entry.serial),
        "maker_key": maker_key(part.entry.maker),
        "item_number": None,
        "stack_id": None,
        "reserved_for_stack_id": None,
        "added_at": work.now,
    }


def _shortened(serials: Iterable[str]) -> str:
    listed_serials = list(serials)
    if len(listed_serials) <= 20:
        return ", ".join(listed_serials)
    return (
        ", ".join(listed_serials[:10]) + f" … {listed_serials[-1]} ({len(listed_serials)} in all)"
    )
