"""The Wrens: one opened by an exception and its inspection sent back, one given two cells.

A third ran before anybody wrote of it, so that its hours are not known; it was split in two.
"""

import hashlib
from datetime import timedelta

from service.bench.changes import approvals, corrections
from service.bench.changes.layers import note_finding
from service.bench.changes.stack_imports import PartInPile, StackHead, StackPlan, write_stack
from service.bench.queries.corrections import correctable, correction
from service.bench.tables import CorrectionOf
from service.closing.changes.torque import read_torque
from service.demo import pictures
from service.demo.bench import Bench, Event, approve, going_on, throw_gaskets_away, writing
from service.demo.closed_tests import TIGHT, Leak, check_closing, check_shorts, make_tests, release
from service.demo.days import FRI, MON, THU, TUE, WED, When, ago
from service.demo.designs import WREN
from service.demo.lab import PASSPHRASE, Entry, Lab, serial
from service.demo.piles import FREE, Item, wren, wren_cells
from service.demo.running import shown
from service.physics.arithmetic.conditions import FindingEntry
from service.platform.arithmetic.vocabulary import (
    End,
    Facing,
    Kind,
    ReadingKind,
    Stage,
    Usability,
)
from service.records.changes.make_safe import record_exception, record_make_safe
from service.records.changes.splits import split_off
from service.records.queries.working_piles import working_pile
from service.records.tables import RebuildRecord, RecordKind
from service.store.arithmetic.acceptance import Acceptance, Basis
from service.store.arithmetic.identifiers import serial_key
from service.store.changes.holds import Subject, give_concession
from service.store.changes.imports import SourceFile
from service.store.changes.part_axes import judge_parts

RODS = {"WR R-11": 1, "WS S-11": 1, "WN N-11": 2}
CORNERS = {"A": 0.12, "B": -0.11, "C": -0.13, "D": 0.1}
"""The plate stands higher at the nuts that were tightened less, mm."""
TILTED = {1: 2.56, 2: 2.84, 3: 2.85, 4: 2.57}
"""Last readings in N·m, each within 6 % of the target: and yet the plate leans to one side."""
WREN_01_LEAKS = (TIGHT[0], Leak(4, 0.0141, (0.14, 0.0)), Leak(5, 0.0039, (0.15, 0.0)))
"""The anode loses most: below the limit of then, above that of the later version."""
WREN_02_LEAKS = (
    TIGHT[0],
    TIGHT[1],
    Leak(5, 0.046, (0.12, 0.0), "Soap bubbles at the air outlet: its fitting was loose."),
    Leak(5, 0.0036, (0.12, 0.0), "Air outlet fitting seated anew, nothing else touched."),
)
MISREAD_BY = 9.0
"""The meter showed 512 h, 521 h was typed."""

WREN_01_FIRST = Event(
    "WREN-01 first",
    "WREN-01",
    RecordKind.FIRST_BUILD,
    "First build, 4 cells, to try thin membranes.",
    "anton",
)
WREN_01_LOOK = Event(
    "WREN-01 look",
    "WREN-01",
    RecordKind.REBUILD,
    "Ran dry for an hour when the humidifier stopped: look at cell 1, gaskets new.",
    "mira",
    ("anton",),
)
WREN_01_INSPECTION = Event(
    "WREN-01 inspection",
    "WREN-01",
    RecordKind.INSPECTION,
    "Yearly look from outside; the stack stays closed.",
    "anton",
)
WREN_02_PAPER = Event(
    "WREN-02 paper",
    "WREN-02",
    RecordKind.INSPECTION,
    "Paper found in the drawer of bench 2: looked at before two cells were added.",
    "anton",
    late=timedelta(weeks=74),
)
WREN_02_DRAWER = Event(
    "WREN-02 drawer",
    "WREN-02",
    RecordKind.REBUILD,
    "From the same drawer: opened to clean the collector of the free end, nothing renewed.",
    "anton",
    late=timedelta(weeks=84),
)
WREN_02_FIRST = Event(
    "WREN-02 first", "WREN-02", RecordKind.FIRST_BUILD, "First build, 6 cells.", "mira", ("anton",)
)
WREN_02_MISTAKEN = Event(
    "WREN-02 mistaken",
    "WREN-02",
    RecordKind.REBUILD,
    "Cell 2 weak, look at its MEA.",
    "anton",
    (),
    "mira",
)
WREN_02_CELLS = Event(
    "WREN-02 cells",
    "WREN-02",
    RecordKind.REBUILD,
    "Two cells more at the free end: 8 cells for the voltage the new converter asks for.",
    "mira",
    (),
    "anton",
)
WREN_03, WREN_04 = "WREN-03", "WREN-04"
WREN_03_SPLIT = Event(
    "WREN-03 split",
    WREN_03,
    RecordKind.REBUILD,
    "Two stacks of two cells are needed to compare humidifiers side by side: this one is split.",
    "mira",
    (),
    "anton",
)
WREN_04_FIRST = Event("WREN-04 first", WREN_04, RecordKind.FIRST_BUILD, "", "mira")
OF_TWO_CELLS = 11
"""Layers of two cells with the coolant gasket between them."""


def _wren_01_first(lab: Lab, when: When) -> None:
    with writing(lab, when, WREN_01_FIRST) as at_work:
        at_work.fit_plates("WP", End.FIXED)
        at_work.put(wren(lab, [lab.next_of("WM") for _ in range(4)]))
        at_work.fit_plates("WP", End.FREE)
        at_work.fit_rods(RODS)
        at_work.tighten("TD-1")
        at_work.close()
        at_work.hand_in()


def _wren_02_first(lab: Lab, when: When) -> None:
    with writing(lab, when, WREN_02_FIRST) as at_work:
        at_work.fit_plates("WP", End.FIXED)
        items = wren(lab, [lab.next_of("WM") for _ in range(6)])
        at_work.put(items[:7])
        at_work.undo()
        at_work.put(items[6:])
        at_work.fit_plates("WP", End.FREE)
        at_work.fit_rods(RODS)
        at_work.tighten("TD-1")
        at_work.close()
        at_work.hand_in()


def _wren_01_look(lab: Lab, when: When) -> None:
    with writing(lab, when, WREN_01_LOOK) as at_work:
        at_work.enter(
            record_exception,
            15.0,
            reason="The multimeter's fuse is blown, no other is in house, so the voltage was not"
            " read. The stack stood eight days with its terminals bonded and air in the fuel side."
            " Asked and agreed: Petra Niemi, by telephone.",
        )
        at_work.open(shown(lab, "WREN-01", when))
        findings = [FindingEntry("discoloured", 1, "air side, near the outlet")]
        lifted = at_work.lift(End.FIXED, 5, {serial("WM", 1): findings})
        at_work.restack(lifted, End.FIXED, gas="WG G-77/25", coolant="WK K-11/25")
        at_work.tighten("TD-1", TILTED)
        at_work.measure_corners(CORNERS)
        at_work.close(shown(lab, "WREN-01", when))
        make_tests(at_work, WREN_01_LEAKS)
        at_work.hand_in()


def _wren_01_inspection(lab: Lab, when: When) -> None:
    with writing(lab, when, WREN_01_INSPECTION) as at_work:
        for rod in (1, 3):
            at_work.enter(
                read_torque,
                3.0,
                rod_number=rod,
                pass_number=1,
                stage=Stage.AS_FOUND,
                kind=ReadingKind.RESIDUAL,
                entered=f"{2.45 + rod / 20:.2f}",
                instrument_id=lab.instruments["TD-1"],
            )
        fixings = working_pile(at_work.work.session, at_work.record_id).fixings
        plate = next(fixing for fixing in fixings if fixing.kind is Kind.COMPRESSION_PLATE)
        at_work.enter(
            note_finding,
            6.0,
            part_id=plate.part,
            findings=[FindingEntry("corroded", 1, "round the coolant port", "A brown rim.")],
        )
        at_work.photo("WREN-01 from the side.jpg", pictures.stack_on_bench(4))
        at_work.hand_in()


def _wren_02_paper(lab: Lab, _when: When) -> None:
    """An inspection of the build before this one, entered more than a year late."""
    with writing(lab, ago(75, THU, "14:00"), WREN_02_PAPER) as at_work:
        fixings = working_pile(at_work.work.session, at_work.record_id).fixings
        plate = next(fixing for fixing in fixings if fixing.kind is Kind.COMPRESSION_PLATE)
        at_work.enter(
            note_finding,
            6.0,
            part_id=plate.part,
            findings=[FindingEntry("port scaled", 1, "coolant port")],
            done_at=at_work.clock,
        )
        at_work.hand_in()


def _wren_02_drawer(lab: Lab, _when: When) -> None:
    """An opening before the one that added two cells, entered more than a year late."""
    then = ago(85, FRI, "10:00")
    with writing(lab, then, WREN_02_DRAWER) as at_work:
        nothing = "The paper says nothing of what was made safe."
        at_work.enter(record_exception, reason=nothing, done_at=at_work.clock_after(1.0))
        at_work.open(shown(lab, "WREN-02", then))
        lifted = at_work.lift(End.FREE, 2, {"2": [FindingEntry("tarnished", 1, "rim")]})
        at_work.restack(lifted, End.FREE, gas="", coolant="")
        at_work.tighten("TD-1")
        at_work.close()
        at_work.hand_in()


def _send_back(lab: Lab, when: When) -> None:
    with lab.work(when, "petra") as work:
        approvals.send_back(
            work,
            lab.records[WREN_01_INSPECTION.name],
            reason="Rods 2 and 4 have no residual torque. Read them, or say why they were not read;"
            " and what is the brown rim, rust or dried coolant?",
        )


def _begin_mistaken(lab: Lab, when: When) -> None:
    with writing(lab, when, WREN_02_MISTAKEN) as at_work:
        at_work.enter(record_make_safe, 10.0, line_number=1, witness_id=lab.people["mira"].id)


def _make_void(lab: Lab, when: When) -> None:
    record = lab.records[WREN_02_MISTAKEN.name]
    why = "Begun on the wrong stack: HERON-02 was meant. Nothing was opened."
    with lab.work(when, "anton") as work:
        approvals.propose_void(work, record, reason=why)
    with lab.work(when, "olu") as work:
        approvals.make_void(work, record, password=PASSPHRASE)


def _concession(lab: Lab, when: When) -> None:
    with lab.work(when, "keiko") as work:
        give_concession(
            work,
            Subject(instrument_id=lab.instruments["TD-4"]),
            reason="TD-1 is away for calibration, TD-4 is two weeks overdue. Compared with TD-2 at"
            " 2.7 N·m this morning: 1 % apart. For WREN-02 only.",
        )


def _wren_02_cells(lab: Lab, when: When) -> None:
    with writing(lab, when, WREN_02_CELLS) as at_work:
        at_work.make_safe()
        at_work.open(shown(lab, "WREN-02", when) + MISREAD_BY)
        lifted = at_work.lift(End.FREE, 2)
        meas = [lab.next_of("WM") for _ in range(2)]
        at_work.put(wren_cells(lab, meas, first=7, gas="WG G-77/25"))
        at_work.restack(lifted, End.FREE, gas="WG G-77/25", coolant="WK K-11/25")
        at_work.tighten("TD-4", unit="in·lbf")
        at_work.close()
        make_tests(at_work, WREN_02_LEAKS)
        at_work.hand_in()


def _propose(lab: Lab, when: When) -> None:
    number = lab.records[WREN_02_CELLS.name]
    with lab.work(when, "mira") as work:
        fact = next(
            fact
            for fact in correctable(work.session, number).facts
            if fact.of is CorrectionOf.HOURS and fact.label.endswith("at opening")
        )
        right = float(fact.old_value.removesuffix(" h")) - MISREAD_BY
        lab.records["hours corrected"] = corrections.propose(
            work,
            number,
            of=CorrectionOf.HOURS,
            subject_id=fact.subject_id,
            new_value=f"{right:g}",
            reason="Two digits changed places when it was typed; the photo of the meter shows it.",
        )


def _decide(lab: Lab, when: When) -> None:
    number = lab.records["hours corrected"]
    with lab.work(when, "olu") as work:
        corrections.decide(
            work,
            number,
            approve=True,
            content_sha256=correction(work.session, number).content_sha256,
            password=PASSPHRASE,
            reason="Fits the readings of the weeks before and after.",
        )


def _wren_03_found(lab: Lab, when: When) -> None:
    """Students built it from the store's parts and ran it; nobody read its meter."""
    meas = [lab.next_of("WM") for _ in range(4)]
    parts = [
        PartInPile(
            line,
            lab.types[(item.serial or item.lot).split("-")[0].split(" ")[0]],
            position=line - 1,
            part_id=lab.parts.get(item.serial),
            lot=_lot_key(lab, item.lot),
            facing=item.facing or Facing.EITHER,
        )
        for line, item in enumerate(wren(lab, meas), 2)
    ]
    head = StackHead(
        WREN_03,
        lab.designs[WREN.name],
        build_number=1,
        closed_at=lab.days.month(60),
        place="test bench 3",
        reason="Built by students from our parts and run for a summer: found in the cupboard.",
    )
    name = f"{WREN_03} pile.csv"
    source = SourceFile(name, hashlib.sha256(name.encode()).hexdigest())
    with lab.work(when, "mira") as work:
        number = write_stack(work, StackPlan(source, head, (), tuple(parts)))
        record = work.session.get_one(RebuildRecord, number)
        lab.records[WREN_03], lab.stacks[WREN_03] = number, record.stack_id
        lab.hashes[WREN_03] = record.content_sha256 or ""
        lab.design_of[WREN_03] = WREN


def _lot_key(lab: Lab, lot: str) -> tuple[int, str] | None:
    key, _, label = lot.partition(" ")
    return (lab.types[key], serial_key(label)) if lot else None


def _wren_03_split(lab: Lab, when: When) -> None:
    """Its two cells of the free end become a stack; the others are closed again."""
    with writing(lab, when, WREN_03_SPLIT) as at_work:
        at_work.make_safe()
        at_work.open(None, "Its meter stayed with the students' rig, and nobody wrote it down.")
        lifted = at_work.lift(End.FREE, 2 + OF_TWO_CELLS + 1)
        lab.records[WREN_04_FIRST.name] = number = split_off(
            at_work.work, at_work.record_id, None, serial=WREN_04, place="test bench 3"
        )
        record = at_work.work.session.get_one(RebuildRecord, number)
        lab.stacks[WREN_04], lab.design_of[WREN_04] = record.stack_id, WREN
        at_work.restack(lifted[:2], End.FREE, gas="", coolant="")
        _clamp(at_work)


def _clamp(at_work: Bench) -> None:
    at_work.fit_plates("WP", End.FIXED)
    at_work.fit_plates("WP", End.FREE)
    at_work.fit_rods(RODS)
    at_work.tighten("TD-1")
    at_work.close()
    check_closing(at_work)
    check_shorts(at_work)
    at_work.hand_in()


def _accept_cells(lab: Lab, when: When) -> None:
    """What was lifted off the third Wren may be used in the fourth."""
    with lab.work(when, "keiko") as work:
        judge_parts(
            work,
            [layer.part for layer in lab.lifted[WREN_03_SPLIT.name]],
            usability=Usability.ACCEPTED_USED,
            reason="Light table and microscope: none seen.",
            acceptance=Acceptance(Basis.INSPECTION),
        )


def _wren_04_first(lab: Lab, when: When) -> None:
    ends = [[Item(lab.next_of("WI")), Item(lab.next_of("WC"))] for _ in range(2)]
    lifted = lab.lifted[WREN_03_SPLIT.name][2 : 2 + OF_TWO_CELLS]
    first = {lifted[-1].label: Item(lab.next_of("WE"), facing=FREE)}
    with going_on(lab, when, WREN_04_FIRST) as at_work:
        at_work.put(ends[0])
        at_work.restack(lifted, End.FREE, gas="WG G-71/25", coolant="WK K-11/25", instead=first)
        at_work.put(ends[1][::-1])
        _clamp(at_work)


def entries() -> list[Entry]:
    """Return what happened to the Wrens."""

    def approved(when: When, event: Event, by: str) -> Entry:
        return Entry(
            when, f"{event.name} approved", lambda lab, at: approve(lab, at, event.name, by)
        )

    def released(when: When, event: Event, by: str) -> Entry:
        return Entry(
            when, f"{event.name} released", lambda lab, at: release(lab, at, event.name, by)
        )

    def thrown_away(when: When, event: Event) -> Entry:
        return Entry(
            when,
            f"{event.name}: gaskets",
            lambda lab, at: throw_gaskets_away(lab, at, event.name, "mira"),
        )

    return [
        Entry(ago(100, TUE, "09:05"), "WREN-01: first build", _wren_01_first),
        approved(ago(100, THU, "09:40"), WREN_01_FIRST, "petra"),
        Entry(ago(96, WED, "08:55"), "WREN-02: first build", _wren_02_first),
        approved(ago(96, FRI, "10:15"), WREN_02_FIRST, "olu"),
        Entry(ago(70, TUE, "09:20"), "WREN-01: looked at", _wren_01_look),
        thrown_away(ago(70, WED, "08:50"), WREN_01_LOOK),
        approved(ago(70, THU, "16:05"), WREN_01_LOOK, "olu"),
        released(ago(70, THU, "16:20"), WREN_01_LOOK, "olu"),
        Entry(ago(61, MON, "14:10"), "WREN-02: begun by mistake", _begin_mistaken),
        Entry(ago(61, TUE, "09:30"), "WREN-02: made void", _make_void),
        Entry(ago(58, TUE, "08:20"), "concession for TD-4", _concession),
        Entry(ago(58, TUE, "09:10"), "WREN-02: two cells more", _wren_02_cells),
        approved(ago(58, THU, "10:30"), WREN_02_CELLS, "petra"),
        released(ago(58, THU, "10:50"), WREN_02_CELLS, "petra"),
        Entry(ago(56, TUE, "11:15"), "WREN-02: correction written", _propose),
        Entry(ago(56, THU, "09:35"), "WREN-02: correction approved", _decide),
        released(ago(56, THU, "09:50"), WREN_02_CELLS, "petra"),
        Entry(ago(16, TUE, "10:20"), "WREN-03: found and written down", _wren_03_found),
        Entry(
            ago(16, THU, "09:30"),
            "WREN-03 approved",
            lambda lab, when: approve(lab, when, WREN_03, "petra"),
        ),
        Entry(ago(6, TUE, "09:10"), "WREN-03: split in two", _wren_03_split),
        Entry(ago(6, TUE, "13:10"), "WREN-03: cells accepted", _accept_cells),
        Entry(ago(6, TUE, "14:00"), "WREN-04: first build of its cells", _wren_04_first),
        approved(ago(6, THU, "10:10"), WREN_03_SPLIT, "olu"),
        approved(ago(6, THU, "10:30"), WREN_04_FIRST, "olu"),
        Entry(ago(2, TUE, "10:15"), "WREN-01: inspection", _wren_01_inspection),
        Entry(ago(1, THU, "14:00"), "WREN-02: paper entered late", _wren_02_paper),
        approved(ago(1, THU, "16:05"), WREN_02_PAPER, "olu"),
        Entry(ago(1, FRI, "10:20"), "WREN-02: opening entered late", _wren_02_drawer),
        approved(ago(1, FRI, "14:30"), WREN_02_DRAWER, "petra"),
        Entry(ago(2, THU, "14:20"), "WREN-01: sent back", _send_back),
    ]
