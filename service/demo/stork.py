"""The Stork: 40 cells, opened at both ends; its re-torque waits for approval."""

from service.bench.changes import corrections
from service.bench.queries.corrections import correctable
from service.bench.tables import CorrectionOf
from service.demo import pictures
from service.demo.bench import Event, approve, throw_gaskets_away, writing
from service.demo.closed_tests import Leak, make_tests, release
from service.demo.days import THU, TUE, WED, When, ago
from service.demo.lab import Entry, Lab, serial
from service.demo.piles import Item, stork
from service.demo.running import shown
from service.limits.arithmetic.closing_modes import ClosingMode, HeldBy
from service.physics.arithmetic.conditions import FindingEntry
from service.platform.arithmetic.vocabulary import End, Facing, Usability, Whereabouts
from service.records.tables import RecordKind
from service.store.changes.part_axes import judge_part, move_part

CELLS = 40
RODS = {"SR R-31": 1, "SS S-31": 1, "SD D-31": 3, "SN N-31": 2}
LEAKS = (
    Leak(3, 0.0, (0.0, 0.0), "Nothing seen: less than this method can."),
    Leak(4, 0.021, (0.42, 0.01)),
    Leak(
        5,
        0.052,
        (2.31, 0.01),
        "Helium before nitrogen, to see what the membranes let through.",
        gas="helium",
        state="wet",
    ),
    Leak(5, 0.019, (0.44, 0.01)),
)
READ_AS, REALLY = "SM-0514", "SM-0541"
FIRST_OUT, LAST_OUT = serial("SM", 501), serial("SM", 540)

STORK_FIRST = Event(
    "STORK-01 first",
    "STORK-01",
    RecordKind.FIRST_BUILD,
    "First build, 40 cells, for the 10 kW bench.",
    "mira",
    ("anton",),
)
STORK_ENDS = Event(
    "STORK-01 ends",
    "STORK-01",
    RecordKind.REBUILD,
    "Both end cells run dry and lie 40 mV below the others: their MEAs are renewed.",
    "anton",
    ("mira",),
    "mira",
)
STORK_RE_TORQUE = Event(
    "STORK-01 re-torque",
    "STORK-01",
    RecordKind.RE_TORQUE,
    "Nuts re-tightened cold after the third cold start, as the design asks.",
    "anton",
    (),
    "mira",
)


def _first(lab: Lab, when: When) -> None:
    with writing(lab, when, STORK_FIRST) as bench:
        bench.fit_plates("SP", End.FIXED)
        bench.put(stork(lab, [serial("SM", 501 + cell) for cell in range(CELLS)]))
        bench.fit_plates("SP", End.FREE)
        bench.fit_rods(RODS)
        bench.tighten("TD-3")
        bench.hold(ClosingMode.FORCE, force_kn=42.3, load_cell="LC-1", spring_back_mm=0.21)
        bench.close()
        bench.photo("STORK-01 closed.jpg", pictures.stack_on_bench(CELLS))
        bench.hand_in()


def _ends(lab: Lab, when: When) -> None:
    dry = [FindingEntry("dry and brittle", 2, "along the air inlet")]
    gas, coolant = "SG G-75", "SK K-14"
    with writing(lab, when, STORK_ENDS) as bench:
        bench.make_safe({"V": 0.4, "°C": 31.0})
        bench.read_as_found("TD-2", 1.05)
        bench.open(shown(lab, "STORK-01", when))
        at_free = bench.lift(End.FREE, 5, {LAST_OUT: dry})
        at_fixed = bench.lift(End.FIXED, 6, {FIRST_OUT: dry})
        for lifted, end, out, new in (
            (at_fixed, End.FIXED, FIRST_OUT, serial("SM", 542)),
            (at_free, End.FREE, LAST_OUT, serial("SM", 543)),
        ):
            instead = {out: Item(new, facing=Facing.FIXED_END)}
            bench.restack(lifted, end, gas=gas, coolant=coolant, instead=instead)
        bench.tighten("TD-2")
        bench.hold(ClosingMode.HEIGHT, held_by=HeldBy.GAUGE)
        bench.close(shown(lab, "STORK-01", when))
        make_tests(bench, LEAKS)
        bench.hand_in()


def _put_aside(lab: Lab, when: When) -> None:
    throw_gaskets_away(lab, when, STORK_ENDS.name, "anton")
    with lab.work(when, "keiko") as work:
        for mea in (FIRST_OUT, LAST_OUT):
            judge_part(
                work,
                lab.parts[mea],
                usability=Usability.REJECTED,
                reason="Dry and brittle along the air inlet.",
            )
            move_part(
                work,
                lab.parts[mea],
                whereabouts=Whereabouts.IN_STORE,
                place="cabinet for held parts",
                reason="Kept to be compared with later ones.",
            )


def _re_torque(lab: Lab, when: When) -> None:
    with writing(lab, when, STORK_RE_TORQUE) as bench:
        bench.make_safe({"°C": 22.5})
        bench.read_as_found("TD-2", 0.9)
        bench.re_tighten("TD-5", "TT-1")
        bench.hand_in()


def _propose(lab: Lab, when: When) -> None:
    number = lab.records[STORK_FIRST.name]
    with lab.work(when, "mira") as work:
        fact = next(
            fact
            for fact in correctable(work.session, number).facts
            if fact.of is CorrectionOf.LAYER_PART and fact.old_value == READ_AS
        )
        corrections.propose(
            work,
            number,
            of=CorrectionOf.LAYER_PART,
            subject_id=fact.subject_id,
            new_value=REALLY,
            reason=f"Counting the dry cabinet: {READ_AS} lies there in its sealed bag and {REALLY}"
            " is not there. Two digits changed places on the hand-written label.",
        )


def entries() -> list[Entry]:
    """Return what happened to the Stork."""
    ends, first = STORK_ENDS.name, STORK_FIRST.name
    return [
        Entry(ago(84, TUE, "08:20"), "STORK-01: first build of 40 cells", _first),
        Entry(
            ago(84, THU, "15:45"),
            "STORK-01: first build approved",
            lambda lab, when: approve(lab, when, first, "olu"),
        ),
        Entry(ago(34, TUE, "08:30"), "STORK-01: both ends opened", _ends),
        Entry(
            ago(34, WED, "09:05"),
            "STORK-01: parts put aside",
            _put_aside,
        ),
        Entry(
            ago(34, THU, "10:50"),
            "STORK-01: rebuild approved",
            lambda lab, when: approve(lab, when, ends, "petra"),
        ),
        Entry(
            ago(34, THU, "11:10"),
            "STORK-01: released",
            lambda lab, when: release(lab, when, ends, "petra"),
        ),
        Entry(ago(1, TUE, "09:15"), "STORK-01: re-torque", _re_torque),
        Entry(ago(1, WED, "14:25"), "STORK-01: correction written", _propose),
    ]
