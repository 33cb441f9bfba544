"""Somebody at the bench writes a rebuild record, entry by entry, while the clock goes on."""

from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from sqlalchemy import select

from service.bench.changes import approvals
from service.bench.changes.bench import undo_last
from service.bench.changes.handing_in import hand_in
from service.bench.changes.layers import lift_off, put_on
from service.bench.queries.missing import to_be_reasoned
from service.bench.queries.rebuild_records import record_view
from service.closing.changes.checks import record_corner_heights
from service.closing.changes.click_tools import press_nut, set_tool
from service.closing.changes.held_closings import record_held_closing
from service.closing.changes.torque import read_torque
from service.closing.queries.closed_heights import computed_height
from service.demo.days import When
from service.demo.lab import PASSPHRASE, Lab
from service.demo.piles import Item
from service.designs.arithmetic.pile import Layer
from service.limits.arithmetic.closing_modes import ClosingMode, HeldBy
from service.physics.arithmetic.clamping import IN_NEWTON_METRES
from service.physics.arithmetic.conditions import NONE_SEEN, FindingEntry
from service.planning.queries.kits import missing_with_kit
from service.platform.arithmetic.vocabulary import (
    End,
    Facing,
    Joint,
    Kind,
    Press,
    ReadingKind,
    Stage,
    Whereabouts,
)
from service.platform.database import Work
from service.platform.files import photos
from service.proof.queries.build_verdicts import verdicts_of_head
from service.records.changes import rebuild_records
from service.records.changes.attachments import add_attachment
from service.records.changes.bench_fixings import fit_fixing, fit_from_lot
from service.records.changes.bench_opening import close_stack, open_stack
from service.records.changes.deviations import Stands, Unloaded
from service.records.changes.make_safe import record_bump_test, record_make_safe
from service.records.queries.make_safe import asked_of
from service.records.queries.records import record_head
from service.records.queries.working_piles import working_pile
from service.records.tables import Involvement, RecordKind, ToolCheck
from service.store.arithmetic.make_safe import LineAsked, SafeAct
from service.store.changes.part_axes import move_part
from service.store.tables import Lot, PartType

IN_NITROGEN = "GD-2"
INSTRUMENT_OF_UNIT = {"% vol": "GD-1", "V": "MM-1", "kPa": "PG-1", "°C": "TH-1"}
USUAL_READINGS = {"% vol": 0.1, "V": 0.12, "kPa": 0.4, "°C": 24.0}
SHARES = (0.3, 0.7, 1.0)
"""Of the target torque, pass by pass."""
SCATTER = 0.012
"""Standard deviation of a set torque, of its mean."""
STAYS_SO: dict[str, object] = {
    "stands": Stands.STANDS,
    "outside_because": "Set and read twice; it stays so. The quality engineer has been told.",
    "unloaded_first": Unloaded.NO,
}
"""What the builder answers of a nut that stood out."""
LEFT_OUT_BECAUSE = {
    "kit": "returned",
    "settling": "The nuts are read again with the re-torque after the first warm run.",
    "check": "The closing form has no line for it yet. Two of us looked at rods and sleeves.",
    "test": "Nitrogen is not laid to this bench yet: tested on the rig before the first run.",
}
"""Why the laboratory hands a record in with something left out, by the first word of its key."""
MOST_MB = 15


@dataclass(frozen=True, slots=True)
class Event:
    """What the head of a record says. ``late`` is the time from the event to its writing down."""

    name: str
    """by which the history finds the record again"""
    stack: str
    kind: RecordKind
    reason: str
    by: str
    helped: tuple[str, ...] = ()
    witness: str = ""
    late: timedelta = timedelta()
    notes: str = ""


class Bench:
    """One record being written by one person; every entry takes its minutes."""

    def __init__(self, lab: Lab, work: Work, event: Event, clock: datetime) -> None:
        self.lab, self.work, self.event, self.clock = lab, work, event, clock
        self.design = lab.design_of[event.stack]
        # hundreds of entries ask for the same few part types and lots: they stay loaded
        self.at_hand = [*work.session.scalars(select(PartType)), *work.session.scalars(select(Lot))]
        work.now = clock + event.late

    @property
    def record_id(self) -> int:
        """The record's number."""
        return self.lab.records[self.event.name]

    def wait(self, minutes: float) -> None:
        """Let time go by."""
        self.clock += timedelta(minutes=minutes)
        self.work.now = self.clock + self.event.late

    def enter(self, entry: Any, minutes: float = 1.0, **facts: Any) -> None:
        """Make one entry of the record, some minutes after the one before."""
        self.wait(minutes)
        entry(self.work, self.record_id, None, **facts)

    def make_safe(self, readings: Mapping[str, float] | None = None) -> None:
        """Record every line asked for before the opening; ``readings`` by unit, where unusual."""
        for line in asked_of(self.work.session, self.record_id)[SafeAct.OPENING].lines:
            if line.needs_bump_test:
                self.enter(
                    record_bump_test,
                    1.0,
                    instrument_id=self.lab.instruments[IN_NITROGEN],
                    gas="2.0 % hydrogen in nitrogen",
                    reading=1.96,
                    passed=True,
                )
            self.record(line, (readings or {}).get(line.unit or ""))

    def record(self, line: LineAsked, reading: float | None = None) -> None:
        """Record one line of make-safe; ``reading`` where it is not as usual."""
        unit = line.unit or ""
        instrument = IN_NITROGEN if line.gas_matrix else INSTRUMENT_OF_UNIT.get(unit)
        self.enter(
            record_make_safe,
            4.0,
            line_number=line.number,
            reading=USUAL_READINGS.get(unit) if reading is None else reading,
            instrument_id=self.lab.instruments[instrument] if instrument else None,
            witness_id=self._person(self.event.witness) if line.needs_witness else None,
            done_at=self.clock_after(4.0),
        )

    def read_again(self) -> None:
        """Record the lines again whose readings will be too old at the opening."""
        with_lists = record_view(self.work.session, self.record_id)
        for stale in with_lists.stale(SafeAct.OPENING, self.clock_after(15.0)):
            self.record(stale.line)

    def read_as_found(self, driver: str, share: float) -> None:
        """Residual torque of every nut before loosening, about a share of the target."""
        self._torques(driver, 1, share, Stage.AS_FOUND, ReadingKind.RESIDUAL)

    def open(self, hours: float | None, unknown_because: str = "") -> None:
        """Release the clamp."""
        self.enter(
            open_stack,
            10.0,
            opened_at=self.clock_after(10.0),
            hours=hours,
            hours_unknown_because=unknown_because,
        )

    def clock_after(self, minutes: float) -> datetime:
        """Say what the clock will show."""
        return self.clock + timedelta(minutes=minutes)

    def lift(
        self,
        end: End,
        count: int,
        findings_of: Mapping[str, Sequence[FindingEntry]] | None = None,
    ) -> list[Layer]:
        """Lift layers off an end, the outermost first; ``findings_of`` by serial or by place.

        Places count from that end. Nothing was seen on the others. Gives the layers as they lay.
        """
        layers = working_pile(self.work.session, self.record_id).layers
        outward = list(layers[:count] if end is End.FIXED else reversed(layers[-count:]))
        self.lab.lifted.setdefault(self.event.name, []).extend(outward)
        remaining = dict(findings_of or {})
        for number, layer in enumerate(outward, 1):
            findings = remaining.pop(layer.label, None) or remaining.pop(str(number), None)
            self.enter(
                lift_off,
                1.5,
                end=end,
                part_id=layer.part,
                findings=findings or [FindingEntry(NONE_SEEN)],
                done_at=self.clock_after(1.5),
            )
        if remaining:
            raise LookupError(f"not among the layers lifted: {', '.join(remaining)}")
        return outward

    def put(self, items: Sequence[Item], end: End = End.FREE) -> None:
        """Put layers on at an end, in this order."""
        for item in items:
            self.enter(
                put_on,
                0.6,
                end=end,
                scanned=item.serial,
                lot_id=self.lab.lots[item.lot] if item.lot else None,
                facing=item.facing,
                done_at=self.clock_after(0.6),
            )

    def restack(
        self,
        lifted: Sequence[Layer],
        end: End,
        *,
        gas: str,
        coolant: str,
        instead: Mapping[str, Item] | None = None,
    ) -> None:
        """Put lifted layers back in their order, gaskets new, some parts replaced by others."""
        items = []
        for layer in reversed(lifted):
            if layer.kind is Kind.GASKET:
                items.append(Item(lot=coolant if layer.joint is Joint.COOLANT else gas))
            else:
                facing = None if layer.facing is Facing.EITHER else layer.facing
                as_it_was = Item(layer.label, facing=facing)
                items.append((instead or {}).get(layer.label, as_it_was))
        self.put(items, end)

    def fit_plates(self, key: str, end: End) -> None:
        """Fit the compression plate of an end."""
        self.enter(
            fit_fixing,
            3.0,
            end=end,
            scanned=self.lab.next_of(key),
            done_at=self.clock_after(3.0),
        )

    def fit_rods(self, lots: Mapping[str, int]) -> None:
        """Fit rods, sleeves, springs and nuts from their lots, so many at each rod."""
        for lot, each in lots.items():
            self.enter(
                fit_from_lot,
                5.0,
                lot_id=self.lab.lots[lot],
                rod_numbers=[rod.number for rod in self.design.rods],
                each=each,
                done_at=self.clock_after(5.0),
            )

    def tighten(
        self,
        driver: str,
        odd: Mapping[int, float] | None = None,
        unit: str = "N·m",
        stop_after: int | None = None,
    ) -> None:
        """Tighten crosswise in passes; ``odd`` gives last readings that stood out, by rod.

        ``stop_after`` so many readings the work is left as it is.
        """
        readings_left = stop_after
        for number, share in enumerate(SHARES, 1):
            is_last = number == len(SHARES)
            self._torques(
                driver,
                number,
                share,
                Stage.CLOSING,
                ReadingKind.SET,
                odd=odd if is_last else None,
                unit=unit,
                most=readings_left,
            )
            if readings_left is not None:
                readings_left = max(readings_left - len(self.design.rods), 0)

    def re_tighten(self, tool: str, tester: str) -> None:
        """Go round once more with a click tool at the target: no nut moves."""
        target = self.design.target_torque_nm
        setting = {
            "pass_number": 1,
            "instrument_id": self.lab.instruments[tool],
            "tester_id": self.lab.instruments[tester],
            "entered": f"{target:.2f}",
        }
        self.enter(set_tool, 2.0, checked=f"{1.008 * target:.2f}", **setting)
        for rod in sorted(self.design.rods, key=lambda rod: rod.turn):
            self.enter(press_nut, 0.3, rod_number=rod.number, pass_number=1, press=Press.NOT_MOVED)
        self.enter(
            set_tool, 2.0, checked=f"{1.005 * target:.2f}", moment=ToolCheck.AFTER, **setting
        )

    def hold(
        self,
        mode: ClosingMode,
        *,
        held_by: HeldBy | None = None,
        force_kn: float | None = None,
        load_cell: str = "",
        spring_back_mm: float | None = None,
    ) -> None:
        """Let the press off once the nuts are run down; the height is the computed one."""
        after_mm = round(self._height_mm(), 2)
        self.enter(
            record_held_closing,
            6.0,
            mode=mode,
            held_by=held_by,
            press="press 2",
            force_kn=force_kn,
            load_cell_id=self.lab.instruments[load_cell] if load_cell else None,
            height_before_mm=None
            if spring_back_mm is None
            else round(after_mm - spring_back_mm, 2),
            height_after_mm=after_mm,
            gauge_id=self.lab.instruments["HG-1"],
        )

    def _height_mm(self) -> float:
        pile = working_pile(self.work.session, self.record_id)
        expected = computed_height(self.work.session, self.record_id, pile).expected
        if expected is None:
            raise LookupError(self.event.name)
        return expected.height_mm

    def measure_corners(self, above: Mapping[str, float]) -> None:
        """Measure the corners after the last pass; ``above`` the computed height, mm."""
        height_mm = self._height_mm()
        heights = {name: round(height_mm + mm, 2) for name, mm in above.items()}
        self.enter(
            record_corner_heights,
            3.0,
            pass_number=len(SHARES),
            heights=heights,
            instrument_id=self.lab.instruments["HG-1"],
        )

    def close(self, hours: float | None = None) -> None:
        """Close the clamp."""
        self.enter(close_stack, 5.0, closed_at=self.clock_after(5.0), hours=hours)

    def undo(self, minutes: float = 0.4) -> None:
        """Take the last entry back."""
        self.enter(undo_last, minutes)

    def photo(self, name: str, content: bytes, part: str = "") -> None:
        """Attach a picture to the record, and to a part it shows."""
        self.wait(2.0)
        checked = photos.check(content, name, most_mb=MOST_MB)
        add_attachment(
            self.work,
            photos.store(self.lab.folder, checked),
            record_id=self.record_id,
            part_id=self.lab.parts[part] if part else None,
        )

    def hand_in(self) -> None:
        """Hand the record in; its hash is kept for whoever signs it."""
        self.wait(12.0)
        name, session = self.event.name, self.work.session
        head = record_head(session, self.record_id)
        pile = working_pile(session, self.record_id)
        missing = missing_with_kit(session, head, pile, verdicts_of_head(session, head))
        not_done = {
            each.key: LEFT_OUT_BECAUSE[each.key.split("-")[0]] for each in to_be_reasoned(missing)
        }
        self.lab.hashes[name] = hand_in(self.work, self.record_id, None, not_done=not_done)

    def _torques(
        self,
        driver: str,
        pass_number: int,
        share: float,
        stage: Stage,
        kind: ReadingKind,
        *,
        odd: Mapping[int, float] | None = None,
        unit: str = "N·m",
        most: int | None = None,
    ) -> None:
        target = self.design.target_torque_nm * share
        for rod in sorted(self.design.rods, key=lambda rod: rod.turn)[:most]:
            value = (odd or {}).get(rod.number) or self.lab.chance.gauss(target, SCATTER * target)
            number = f"{value:.2f}" if unit == "N·m" else f"{value / IN_NEWTON_METRES[unit]:.1f}"
            self.enter(
                read_torque,
                0.5,
                rod_number=rod.number,
                pass_number=pass_number,
                stage=stage,
                kind=kind,
                entered=number,
                unit=unit,
                instrument_id=self.lab.instruments[driver],
                taken_at=self.clock_after(0.5),
                **(STAYS_SO if rod.number in (odd or {}) else {}),
            )

    def _person(self, login: str) -> int:
        return self.lab.people[login].id


def throw_gaskets_away(lab: Lab, when: When, name: str, by: str) -> None:
    """Say of the gaskets lifted off in an event that they are scrapped."""
    with lab.work(when, by) as work:
        for layer in lab.lifted[name]:
            if layer.kind is Kind.GASKET:
                move_part(
                    work,
                    layer.part,
                    whereabouts=Whereabouts.SCRAPPED,
                    place="",
                    reason="Renewed at the opening.",
                )


@contextmanager
def writing(lab: Lab, when: When, event: Event) -> Iterator[Bench]:
    """Begin a record at a moment and write in it; it stays open unless it is handed in."""
    begun = lab.days.at(when)
    with lab.work(begun + event.late, event.by) as work:
        people = [(lab.people[login].id, Involvement.WORKED) for login in (event.by, *event.helped)]
        if event.witness:
            people.append((lab.people[event.witness].id, Involvement.WITNESSED))
        lab.records[event.name] = rebuild_records.begin_record(
            work,
            stack_id=lab.stacks[event.stack],
            kind=event.kind,
            reason=event.reason,
            performed_from=begun,
            people=people,
            notes=event.notes,
        )
        yield Bench(lab, work, event, begun)


@contextmanager
def going_on(lab: Lab, when: When, event: Event) -> Iterator[Bench]:
    """Go on in a record begun before."""
    at = lab.days.at(when)
    with lab.work(at, event.by) as work:
        yield Bench(lab, work, event, at)


def approve(lab: Lab, when: When, name: str, by: str) -> None:
    """Sign a record as a supervisor."""
    with lab.work(when, by) as work:
        approvals.approve(
            work, lab.records[name], content_sha256=lab.hashes[name], password=PASSPHRASE
        )
