"""Designs, part types, stacks, and what was delivered when."""

from dataclasses import dataclass, replace

from service.bench.changes.identities import propose_identity
from service.demo.days import FRI, MON, THU, TUE, WED, When, ago
from service.demo.designs import DESIGNS, HERON, PART_TYPES, PATTERNS, STORK, WREN
from service.demo.lab import (
    PASSPHRASE,
    PEOPLE,
    PIN,
    QUICK,
    TABLET,
    Entry,
    Lab,
    add,
    put_in_force,
    serial,
)
from service.demo.stiffness import REASON, STIFFNESS
from service.designs.changes import make_design, propose_pattern
from service.designs.queries import DesignEntry
from service.people.changes.badges import choose_pin, enrol_tablet, make_badge
from service.platform.arithmetic.vocabulary import Kind, Material, Usability, Whereabouts
from service.stacks.changes.stacks import FirstMeter, add_stack
from service.store.arithmetic.lot_roles import LotRole
from service.store.changes.identities import add_unread
from service.store.changes.lot_inputs import add_input
from service.store.changes.lots import LotEntry, add_lot
from service.store.changes.part_axes import move_part
from service.store.changes.part_types import PartTypeEntry, make_part_type, propose_stiffness
from service.store.changes.parts import PartEntry, add_part
from service.store.changes.shelf_lives import Bag, OpenedEntry, open_bag

MEMBRANES = "Quay Road Membranes (invented)"
SEALS = "Fellside Seals (invented)"
CARBON = "Orrin Carbon (invented)"
WORKSHOP = "Tarnfield workshop (invented)"
STORE = {"M": "dry cabinet", "G": "drawer 4", "K": "drawer 5"}
DELIVERED_AT = "13:20"
MEASURED_MM = {
    serial("HM", number): millimetres
    for number, millimetres in zip(
        (*range(113, 123), *range(131, 136)),
        (
            *(0.521, 0.517, 0.524, 0.519, 0.498, 0.520, 0.523, 0.518, 0.516, 0.522),
            *(0.519, 0.523, 0.512, 0.520, 0.518),
        ),
        strict=True,
    )
}
"""Free thickness as incoming inspection found it, lots M-41 and M-42; HM-0117 was a thin one."""


@dataclass(frozen=True, slots=True)
class Delivery:
    """Parts that came together. With ``first`` they have serials from that number on."""

    key: str
    lot: str
    count: int
    supplier: str
    first: int | None = None
    made_weeks: int = 3
    """made so many weeks before they came"""
    notes: str = ""

    @property
    def serials(self) -> list[str]:
        """The serial numbers on them; none on counted items."""
        if self.first is None:
            return []
        return [serial(self.key, number) for number in range(self.first, self.first + self.count)]


AT_FIRST = (
    Delivery("WM", "M-31", 20, MEMBRANES, 1),
    Delivery("WF", "P-11", 16, CARBON, 1),
    Delivery("WE", "P-12", 4, CARBON, 1),
    Delivery("WA", "P-13", 18, CARBON, 1),
    Delivery("WG", "G-71/25", 40, SEALS),
    Delivery("WK", "K-11/25", 30, SEALS),
    Delivery("WC", "C-11", 8, WORKSHOP, 1),
    Delivery("WI", "I-11", 8, WORKSHOP, 1),
    Delivery("WP", "E-11", 8, WORKSHOP, 1),
    Delivery("WR", "R-11", 16, WORKSHOP),
    Delivery("WS", "S-11", 16, WORKSHOP),
    Delivery("WN", "N-11", 50, WORKSHOP),
    Delivery("HM", "M-40", 12, MEMBRANES, 101),
    Delivery("HB", "B-21", 3, WORKSHOP),
    Delivery("HF", "P-21", 32, CARBON, 1),
    Delivery("HA", "P-22", 32, CARBON, 1),
    Delivery("HG", "G-70", 160, SEALS),
    Delivery("HK", "K-12", 140, SEALS),
    Delivery("HC", "C-21", 3, WORKSHOP, 1),
    Delivery("HD", "C-22", 3, WORKSHOP, 1),
    Delivery("HI", "I-21", 6, WORKSHOP, 1),
    Delivery("HP", "E-21", 6, WORKSHOP, 1),
    Delivery("HR", "R-21", 26, WORKSHOP),
    Delivery("HS", "S-21", 26, WORKSHOP),
    Delivery("HN", "N-21", 100, WORKSHOP),
)
FOR_STORK = (
    Delivery("SM", "M-52", 30, MEMBRANES, 501),
    Delivery("SM", "M-53", 15, MEMBRANES, 531),
    Delivery("SW", "P-32", 42, CARBON, 1),
    Delivery("SA", "P-33", 40, CARBON, 1),
    Delivery("SG", "G-75", 120, SEALS),
    Delivery("SK", "K-14", 60, SEALS),
    Delivery("SC", "C-31", 2, WORKSHOP, 1),
    Delivery("SI", "I-31", 2, WORKSHOP, 1),
    Delivery("SP", "E-31", 2, WORKSHOP, 1),
    Delivery("SR", "R-31", 12, WORKSHOP),
    Delivery("SS", "S-31", 12, WORKSHOP),
    Delivery("SD", "D-31", 48, WORKSHOP),
    Delivery("SN", "N-31", 30, WORKSHOP),
)
FROM_SHEET_77 = "Cut from sheet 77, as are the gaskets of the other size."
LATER = (
    (91, (Delivery("HM", "M-41", 10, MEMBRANES, 113, notes="First bag of this lot."),)),
    (85, FOR_STORK),
    (
        72,
        (
            Delivery("HG", "G-77/100", 110, SEALS, notes=FROM_SHEET_77),
            Delivery("WG", "G-77/25", 30, SEALS, notes=FROM_SHEET_77),
        ),
    ),
    (47, (Delivery("HM", "M-41", 9, MEMBRANES, 123),)),
    (9, (Delivery("HG", "G-83", 60, SEALS), Delivery("HK", "K-17", 40, SEALS))),
    (8, (Delivery("HM", "M-42", 8, MEMBRANES, 132),)),
)


@dataclass(frozen=True, slots=True)
class NewStack:
    """One stack: its design, and when it was added."""

    serial: str
    design: DesignEntry
    when: When
    place: str


STACKS = (
    NewStack("HERON-01", HERON, ago(105, FRI, "15:10"), "test bench 1"),
    NewStack("WREN-01", WREN, ago(101, FRI, "15:20"), "test bench 3"),
    NewStack("WREN-02", WREN, ago(97, FRI, "14:50"), "test bench 3"),
    NewStack("HERON-02", HERON, ago(91, FRI, "15:00"), "test bench 2"),
    NewStack("STORK-01", STORK, ago(85, FRI, "14:40"), "test bench 4"),
    NewStack("HERON-03", HERON, ago(46, FRI, "15:30"), "endurance rig"),
)


def _people(lab: Lab, when: When) -> None:
    """On the command line, so that nobody waits for a confirmation."""
    with lab.work(when, "") as work:
        for somebody in PEOPLE:
            lab.people[somebody.login] = add(work, somebody)


def _badges_and_tablet(lab: Lab, when: When) -> None:
    """Everybody makes their own badge and PIN; Olu enrols the tablet of a bench."""
    for somebody in PEOPLE:
        with lab.work(when, somebody.login) as work:
            make_badge(work, work.by.id)
        with lab.work(when, somebody.login) as work:
            choose_pin(work, work.by.id, PIN, password=PASSPHRASE, hasher=QUICK)
    with lab.work(when, "olu") as work:
        enrol_tablet(work, TABLET, password=PASSPHRASE)


def _next_revision(lab: Lab, when: When) -> None:
    """A revision no stack is made to yet, whose pattern waits for somebody else."""
    kept = PATTERNS[WREN.name]
    mea_of_one_lot = tuple(
        replace(item, one_lot=item.one_lot or item.kind is Kind.MEA) for item in kept.pattern.cell
    )
    with lab.work(when, "keiko") as work:
        design_id = make_design(work, replace(WREN, revision="C"), made_from=lab.designs[WREN.name])
        propose_pattern(
            work,
            design_id,
            replace(kept, pattern=replace(kept.pattern, cell=mea_of_one_lot)),
            reason="MEAs of two lots in a stack aged apart: all of one lot from now on.",
        )


def _designs_and_types(lab: Lab, when: When) -> None:
    proposed: list[int] = []
    with lab.work(when, "keiko") as work:
        for key, part_type in PART_TYPES.items():
            lab.types[key] = make_part_type(work, part_type)
            if key in STIFFNESS:
                proposed.append(
                    propose_stiffness(work, lab.types[key], STIFFNESS[key], reason=REASON)
                )
        for entry in DESIGNS:
            lab.designs[entry.name] = make_design(work, entry)
            proposed.append(
                propose_pattern(
                    work,
                    lab.designs[entry.name],
                    PATTERNS[entry.name],
                    reason="As on the drawing of the design.",
                )
            )
    put_in_force(lab, when, proposed)


def _deliver(lab: Lab, when: When, deliveries: tuple[Delivery, ...]) -> None:
    came = -when.weeks
    with lab.work(when, "keiko") as work:
        for delivery in deliveries:
            name = f"{delivery.key} {delivery.lot}"
            if name not in lab.lots:
                lab.lots[name] = add_lot(
                    work,
                    part_type_id=lab.types[delivery.key],
                    entry=LotEntry(
                        delivery.lot,
                        delivery.supplier,
                        received_at=lab.days.noon(came, when.weekday),
                        produced_at=lab.days.noon(came + delivery.made_weeks),
                        quantity=None if delivery.first else delivery.count,
                        notes=delivery.notes,
                    ),
                )
            for each in delivery.serials:
                entry = PartEntry(
                    each,
                    lab.lots[name],
                    place=STORE.get(delivery.key[1], "shelf 2"),
                    usability=Usability.ACCEPTED,
                    measured_thickness_mm=MEASURED_MM.get(each),
                )
                lab.parts[each] = add_part(work, part_type_id=lab.types[delivery.key], entry=entry)


def _open_bag(lab: Lab, when: When) -> None:
    """The bag of STORK's spare MEAs, for an inspection: their open life runs."""
    with lab.work(when, "mira") as work:
        open_bag(work, Bag(lot_id=lab.lots["SM M-53"]), OpenedEntry(work.now))


LOST = "HM-0139"


def _unread(lab: Lab, when: When) -> None:
    """An MEA without its label, and the one that has been missed since: perhaps the same."""
    with lab.work(when, "anton") as work:
        move_part(
            work,
            lab.parts[LOST],
            whereabouts=Whereabouts.MISSING,
            place="",
            reason="Missed when the dry cabinet was counted.",
        )
        found = add_unread(
            work,
            part_type_id=lab.types["HM"],
            seen="Label torn off, blue dot at one corner; it lay behind tray 3.",
        )
        propose_identity(
            work, found, lab.parts[LOST], reason="It lay behind its tray, the only one missing."
        )


def _same_serial(lab: Lab, when: When) -> None:
    """A collector bought outside bears the serial of one from the workshop."""
    entry = PartEntry("HC-0001", place="shelf 2", maker=CARBON)
    with lab.work(when, "keiko") as work:
        add_part(work, part_type_id=lab.types["HC"], entry=entry)


MATERIALS = (
    PartTypeEntry(
        Kind.MATERIAL, "membrane roll", "TEL-9001", "A", Material.MEMBRANE, None, counted=True
    ),
    PartTypeEntry(
        Kind.MATERIAL, "hot-press run", "TEL-9002", "A", Material.MEMBRANE, None, counted=True
    ),
)
PRESSED = (("HM M-41", "HP-31", "R-7"), ("HM M-42", "HP-32", "R-8"))
"""MEA lots, the hot-press run each came from, the roll that went into the run."""


def _lots_of_lots(lab: Lab, when: When) -> None:
    """What the maker wrote of two lots of MEAs: the runs, and the rolls in them."""
    with lab.work(when, "keiko") as work:
        roll_type, run_type = (make_part_type(work, material) for material in MATERIALS)
        for delivery, run, roll in PRESSED:
            run_id, roll_id = (
                add_lot(work, part_type_id=of, entry=LotEntry(label, MEMBRANES))
                for of, label in ((run_type, run), (roll_type, roll))
            )
            add_input(work, lab.lots[delivery], input_lot_id=run_id, role=LotRole.HOT_PRESS)
            add_input(work, run_id, input_lot_id=roll_id, role=LotRole.MEMBRANE)


def _add_stack(lab: Lab, when: When, new: NewStack) -> None:
    with lab.work(when, "mira") as work:
        lab.stacks[new.serial] = add_stack(
            work,
            serial=new.serial,
            design_id=lab.designs[new.design.name],
            place=new.place,
            notes="Invented.",
            meter=FirstMeter(0.0, f"meter of {new.place}"),
        )
        lab.design_of[new.serial] = new.design


def entries() -> list[Entry]:
    """Everything that was set up, made or delivered."""
    return [
        Entry(ago(106, TUE, "09:00"), "people", _people),
        Entry(ago(1, TUE, "16:20"), "WREN C: pattern proposed", _next_revision),
        Entry(ago(2, MON, "08:40"), "badges and tablet", _badges_and_tablet),
        Entry(ago(1, TUE, "16:25"), "bag of M-53 opened", _open_bag),
        Entry(ago(1, WED, "10:05"), "a collector of another maker", _same_serial),
        Entry(ago(1, WED, "15:30"), "an MEA without its label", _unread),
        Entry(ago(2, MON, "10:10"), "what M-41 and M-42 are made of", _lots_of_lots),
        Entry(ago(106, TUE, "10:30"), "designs and part types", _designs_and_types),
        Entry(
            ago(105, THU, DELIVERED_AT),
            "first deliveries",
            lambda lab, when: _deliver(lab, when, AT_FIRST),
        ),
        *(
            Entry(
                ago(weeks, WED, DELIVERED_AT),
                "delivery",
                lambda lab, when, came=came: _deliver(lab, when, came),  # type: ignore[misc]
            )
            for weeks, came in LATER
        ),
        *(
            Entry(
                new.when,
                f"{new.serial} added",
                lambda lab, when, new=new: _add_stack(lab, when, new),  # type: ignore[misc]
            )
            for new in STACKS
        ),
    ]
