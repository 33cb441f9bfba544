"""The Lapwing campaign: six short stacks of the Heron design, run in the annex.

After an MEA failed beside gaskets of sheet 77, the lists of the annex were taken over to compare:
two lots of MEAs, two of gaskets, crossed as far as there were enough. In four of the stacks MEAs
failed, most of them near the free end.
"""

import hashlib
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import select

from service.bench.changes.stack_imports import PartInPile, StackHead, StackPlan, write_stack
from service.demo.ageing import Drop, mea
from service.demo.bench import approve
from service.demo.curves import read_off
from service.demo.days import MON, TUE, WED, When, ago
from service.demo.designs import HERON
from service.demo.heron import SHEET_77
from service.demo.lab import Entry, Lab, serial
from service.demo.logs import Sat
from service.platform.arithmetic.vocabulary import Facing, Usability
from service.records.tables import RebuildRecord
from service.store.arithmetic.acceptance import Acceptance, Basis
from service.store.arithmetic.identifiers import serial_key
from service.store.changes.holds import Subject, give_concession
from service.store.changes.imports import LotKey, NewLot, SourceFile
from service.store.changes.lots import LotEntry
from service.store.changes.part_axes import judge_parts
from service.store.tables import Part

CELLS = 8
G_70, M_41, M_45 = "HG G-70", "HM M-41", "HM M-45"
OLDER, NEWER = 201, 241
"""First serial numbers of the campaign's MEAs: of lot M-41, and of M-45."""


@dataclass(frozen=True, slots=True)
class Short:
    """One short stack: its gaskets, how many cells from the fixed end have MEAs of lot M-45.

    ``closed`` and ``stopped`` are in weeks ago; ``hours`` it ran until then. ``failed`` are cells
    and the hours at which their MEAs failed.
    """

    number: int
    gaskets: str
    newer: int
    closed: int
    stopped: int
    hours: float
    failed: tuple[tuple[int, float], ...] = ()

    @property
    def stack(self) -> str:
        """Its serial."""
        return f"LAPWING-{self.number:02}"

    @property
    def meas(self) -> list[str]:
        """Serials of its MEAs from the fixed end on."""
        before = [short for short in STACKS if short.number < self.number]
        older = OLDER + sum(CELLS - short.newer for short in before)
        newer = NEWER + sum(short.newer for short in before)
        return [
            *(serial("HM", newer + at) for at in range(self.newer)),
            *(serial("HM", older + at) for at in range(CELLS - self.newer)),
        ]

    def ran(self, lab: Lab) -> tuple[datetime, datetime]:
        """Return the time from its closing to when it was stopped."""
        closed = lab.days.at(ago(self.closed, WED, "11:00"))
        return closed, lab.days.at(ago(self.stopped, MON, "09:10"))

    def sat(self, hours: float) -> list[Sat]:
        """Return its cells when it had run so many hours."""
        fell = {cell: Drop(0.32, at - 4.0, 9.0, 0.04) for cell, at in self.failed}
        return [
            Sat(mea(label, "M-45" if cell <= self.newer else "M-41", fell.get(cell)), hours)
            for cell, label in enumerate(self.meas, 1)
        ]


STACKS = (
    Short(1, G_70, 8, 66, 10, 2104.0),
    Short(2, G_70, 4, 64, 10, 1876.5),
    Short(3, SHEET_77, 0, 61, 19, 1418.2, ((7, 1391.0), (8, 1406.0))),
    Short(4, SHEET_77, 4, 58, 24, 1187.6, ((6, 1172.0), (8, 1140.0))),
    Short(5, SHEET_77, 8, 55, 11, 1652.9, ((8, 1640.0),)),
    Short(6, G_70, 0, 52, 10, 1730.4, ((7, 1712.0),)),
)
TAKEN_OVER, APPROVED = ago(10, TUE, "10:20"), ago(10, WED, "14:10")
READ_AT = (0.02, 0.35, 0.7, 0.995, 0.999)
"""Shares of its hours at which a stack's voltages were written down."""
WHY = "Lapwing campaign of the annex: taken over to compare gaskets of sheet 77 with others."


def _taken_over(lab: Lab, when: When) -> None:
    lot = Subject(lot_id=lab.lots[SHEET_77])
    with lab.work(when, "keiko") as work:
        for short in STACKS:
            if short.gaskets == SHEET_77:
                give_concession(work, lot, reason=f"{short.stack} was built with them: to compare.")
    with lab.work(when, "mira") as work:
        for short in STACKS:
            record_id = write_stack(work, _plan(lab, short))
            record = work.session.get_one(RebuildRecord, record_id)
            lab.records[short.stack], lab.stacks[short.stack] = record_id, record.stack_id
            lab.hashes[short.stack] = record.content_sha256 or ""
            lab.design_of[short.stack] = HERON
        labels = [label for short in STACKS for label in short.meas]
        rows = work.session.execute(select(Part.serial, Part.id).where(Part.serial.in_(labels)))
        lab.parts |= {row.serial: row.id for row in rows}


def _plan(lab: Lab, short: Short) -> StackPlan:
    parts = [
        PartInPile(
            line,
            lab.types[key],
            position=line - 1,
            serial=label,
            lot=_lot(lab, lot),
            facing=facing,
        )
        for line, (key, label, lot, facing) in enumerate(_layers(short), 2)
    ]
    closed, stopped = short.ran(lab)
    head = StackHead(
        short.stack,
        lab.designs["Heron"],
        build_number=1,
        closed_at=closed,
        place="annex",
        hours_at_closing=0.0,
        hours_now=short.hours,
        read_at=stopped,
        reason=WHY,
    )
    name = f"{short.stack} pile.csv"
    source = SourceFile(name, hashlib.sha256(name.encode()).hexdigest())
    lots = (_new_lot(lab),) if short.number == 1 else ()
    return StackPlan(source, head, lots, tuple(parts))


def _new_lot(lab: Lab) -> NewLot:
    entry = LotEntry(
        "M-45",
        "Saltmarsh Coatings (invented)",
        received_at=lab.days.noon(68),
        notes="Came to the annex.",
    )
    return NewLot(2, lab.types["HM"], entry)


def _lot(lab: Lab, lot: str) -> LotKey | None:
    if not lot:
        return None
    key, label = lot.split(" ", 1)
    return lab.types[key], serial_key(label)


def _layers(short: Short) -> list[tuple[str, str, str, Facing]]:
    """Type, serial, lot and facing of each layer from the fixed end on."""
    either, coolant = Facing.EITHER, ("HK", "", "HK K-12", Facing.EITHER)
    first = 10 * short.number + 200
    layers = [
        ("HI", serial("HI", first), "", either),
        ("HC", serial("HC", first), "", either),
        coolant,
    ]
    for cell, label in enumerate(short.meas, 1):
        gas = ("HG", "", short.gaskets, either)
        layers += [
            ("HF", serial("HF", first + cell), "HF P-21", Facing.FREE_END),
            gas,
            ("HM", label, M_45 if cell <= short.newer else M_41, Facing.FIXED_END),
            gas,
            ("HA", serial("HA", first + cell), "HA P-22", Facing.FIXED_END),
            coolant,
        ]
    return [
        *layers,
        ("HD", serial("HD", first), "", either),
        ("HI", serial("HI", first + 1), "", either),
    ]


def _approve(lab: Lab, when: When) -> None:
    for short in STACKS:
        approve(lab, when, short.stack, "olu")
    with lab.work(when, "keiko") as work:
        fitted = select(Part.id).where(
            Part.stack_id.in_([lab.stacks[short.stack] for short in STACKS]),
            Part.usability == Usability.NOT_INSPECTED,
        )
        judge_parts(
            work,
            work.session.scalars(fitted.order_by(Part.id)).all(),
            usability=Usability.ACCEPTED_USED,
            reason="The annex's papers of their incoming inspection were seen.",
            acceptance=Acceptance(Basis.PAPERS),
        )


def _read_off(lab: Lab, when: When) -> None:
    """What the annex's book tells of the cells' voltages."""
    with lab.work(when, "anton") as work:
        for short in STACKS:
            closed, stopped = short.ran(lab)
            for share in READ_AT:
                hours = round(share * short.hours, 1)
                read_off(
                    work,
                    lab.stacks[short.stack],
                    short.sat(hours),
                    at=closed + (stopped - closed) * share,
                    current_a=80.0,
                    meter_h=hours,
                )


def entries() -> list[Entry]:
    """Return the campaign taken over and approved, its voltages typed in from a book."""
    return [
        Entry(TAKEN_OVER, "Lapwing campaign taken over", _taken_over),
        Entry(APPROVED, "Lapwing campaign approved", _approve),
        Entry(ago(9, MON, "10:10"), "Lapwing voltages typed in", _read_off),
    ]
