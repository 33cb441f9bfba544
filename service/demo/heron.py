"""The three Herons: an MEA is moved from HERON-02 to HERON-01 and fails there.

HERON-02 was first closed with TD-3, which was found 9 % out of tolerance afterwards. The gaskets
beside the failing MEA are of sheet 77, as are those in HERON-03; its lot sits in all three.
"""

from datetime import timedelta

from service.demo import pictures
from service.demo.bench import Bench, Event, approve, going_on, throw_gaskets_away, writing
from service.demo.closed_tests import TIGHT, Leak, make_tests, release, search_cells
from service.demo.days import MON, THU, TUE, WED, When, ago, last_working_day
from service.demo.designs import HERON
from service.demo.lab import Entry, Lab, serial
from service.demo.piles import BLANK, heron, heron_mea
from service.demo.running import shown
from service.physics.arithmetic.conditions import FindingEntry
from service.platform.arithmetic.vocabulary import End, Kind, Usability, Whereabouts
from service.proof.changes.part_leak_tests import record_part_leak_test
from service.proof.queries.tested_objects import PartsTested
from service.records.changes.handovers import hand_over
from service.records.changes.waivers import waive_witness
from service.records.tables import RecordKind, WaiverWhy
from service.store.arithmetic.acceptance import Acceptance, Basis
from service.store.changes.holds import Subject, give_concession, lift_hold, place_hold
from service.store.changes.part_axes import judge_part, move_part, reserve_part
from service.store.queries.holds import About, holds

FAILING = "HM-0117"
TAKES_ITS_PLACE = "HM-0133"
RODS = {"HR R-21": 1, "HS S-21": 1, "HN N-21": 2}
SHEET_77, NEW_LOT = "HG G-77/100", "HG G-83"
HERON_01_LEAKS = (
    TIGHT[0],
    Leak(4, 0.0445, (2.22, 0.01), "Twice read: it stays so near the limit that nothing is said."),
    Leak(5, 0.0440, (2.20, 0.01)),
)
"""Between anode and cathode: too near the limit for a verdict."""
FIRST, REBUILD = RecordKind.FIRST_BUILD, RecordKind.REBUILD

HERON_01_FIRST = Event(
    "HERON-01 first",
    "HERON-01",
    FIRST,
    "First build, 12 cells, for the load-cycling campaign.",
    "mira",
    ("anton",),
)
HERON_02_FIRST = Event(
    "HERON-02 first",
    "HERON-02",
    FIRST,
    "First build, 10 cells, membranes of the new lot M-41.",
    "anton",
    ("mira",),
)
HERON_02_BLANK = Event(
    "HERON-02 blank",
    "HERON-02",
    REBUILD,
    "HERON-01 needs an MEA at once and none is in store: the one of cell 9 goes there, a blank"
    " cell takes its place until lot M-42 is delivered.",
    "mira",
    ("anton",),
    "anton",
)
HERON_01_MOVED_IN = Event(
    "HERON-01 moved in",
    "HERON-01",
    REBUILD,
    f"Cell 10 crosses over: its MEA is replaced by {FAILING} from HERON-02.",
    "anton",
    (),
    "mira",
)
HERON_01_FAILED = Event(
    "HERON-01 failed",
    "HERON-01",
    REBUILD,
    "Cell 10 falls to 0.31 V at 0.8 A/cm² and hydrogen shows in the air outlet.",
    "mira",
    (),
    "anton",
    notes="The detector at the air outlet showed 0.9 % hydrogen before the stack was shut down.",
)
HERON_03_FIRST = Event(
    "HERON-03 first",
    "HERON-03",
    FIRST,
    "First build, 8 cells, for the endurance rig.",
    "anton",
    ("mira",),
    late=timedelta(days=3),
    notes="Written down from the bench book: the tablet was away for repair.",
)
HERON_02_WHOLE = Event(
    "HERON-02 whole",
    "HERON-02",
    REBUILD,
    "An MEA of lot M-42 takes the place of the blank cell; its neighbours' gaskets are renewed.",
    "anton",
    (),
    "mira",
)
HERON_03_OPEN = Event(
    "HERON-03 open",
    "HERON-03",
    REBUILD,
    "Cell 8 lost 60 mV in two weeks: look at it and renew its MEA if need be.",
    "mira",
    (),
    "anton",
)


def _first_build(bench: Bench, meas: list[str], driver: str, gas: str = "HG G-70") -> None:
    bench.fit_plates("HP", End.FIXED)
    bench.put(heron(bench.lab, meas, gas=gas))
    bench.fit_plates("HP", End.FREE)
    bench.fit_rods(RODS)
    odd = {5: 4.9} if driver == "TD-3" else {}
    bench.tighten(driver, odd)
    bench.close()


def _heron_01_first(lab: Lab, when: When) -> None:
    with writing(lab, when, HERON_01_FIRST) as bench:
        _first_build(bench, [serial("HM", number) for number in range(101, 113)], "TD-2")
        bench.photo("HERON-01 closed.jpg", pictures.stack_on_bench(12))
        bench.hand_in()


def _heron_02_first(lab: Lab, when: When) -> None:
    numbers = (113, 114, 115, 116, 118, 119, 120, 121, 117, 122)
    with writing(lab, when, HERON_02_FIRST) as bench:
        _first_build(bench, [serial("HM", number) for number in numbers], "TD-3")
        bench.hand_in()


def _heron_02_blank(lab: Lab, when: When) -> None:
    with writing(lab, when, HERON_02_BLANK) as bench:
        bench.make_safe()
        bench.read_as_found("TD-2", 1.0)
        bench.open(shown(lab, "HERON-02", when))
        imprint = [FindingEntry("imprint of channels", 1, "middle", "Even, as one would expect.")]
        lifted = bench.lift(End.FREE, 12, {FAILING: imprint})
        bench.restack(
            lifted,
            End.FREE,
            gas=SHEET_77,
            coolant="HK K-12",
            instead={FAILING: heron_mea(BLANK)},
        )
        bench.tighten("TD-2")
        bench.close(shown(lab, "HERON-02", when))
        make_tests(bench)
        bench.hand_in()


def _accept_used(lab: Lab, when: When) -> None:
    throw_gaskets_away(lab, when, HERON_02_BLANK.name, "anton")
    with lab.work(when, "keiko") as work:
        judge_part(
            work,
            lab.parts[FAILING],
            usability=Usability.ACCEPTED_USED,
            reason="Light table: none seen. The imprint is even. May be used in HERON-01.",
            acceptance=Acceptance(
                Basis.MEASUREMENT, thickness_mm=0.43, until_hours_h=6000, same_anode_side=True
            ),
        )


def _heron_01_moved_in(lab: Lab, when: When) -> None:
    tear = [FindingEntry("tear", 3, "along the frame, air outlet side")]
    with writing(lab, when, HERON_01_MOVED_IN) as bench:
        bench.make_safe({"% vol": 0.2})
        bench.read_as_found("TD-2", 0.94)
        bench.open(shown(lab, "HERON-01", when))
        lifted = bench.lift(End.FREE, 19, {"HM-0110": tear})
        bench.restack(
            lifted,
            End.FREE,
            gas=SHEET_77,
            coolant="HK K-12",
            instead={"HM-0110": heron_mea(FAILING)},
        )
        bench.tighten("TD-2")
        bench.close(shown(lab, "HERON-01", when))
        make_tests(bench)
        bench.hand_in()


def _put_aside(lab: Lab, when: When) -> None:
    throw_gaskets_away(lab, when, HERON_01_MOVED_IN.name, "anton")
    with lab.work(when, "keiko") as work:
        part = lab.parts["HM-0110"]
        (hold,) = holds(work.session, About(part_id=part)).rows
        lift_hold(work, hold.id, reason="Torn along the frame.", judged=Usability.REJECTED)
        move_part(
            work,
            part,
            whereabouts=Whereabouts.SCRAPPED,
            place="",
            reason="Cut up for the microscope.",
        )


def _heron_03_first(lab: Lab, when: When) -> None:
    meas = [serial("HM", number) for number in range(123, 131)]
    with writing(lab, when, HERON_03_FIRST) as bench:
        _first_build(bench, meas, "TD-2", SHEET_77)
        make_tests(bench)
        bench.hand_in()


def _heron_01_failed(lab: Lab, when: When) -> None:
    findings = {
        FAILING: [
            FindingEntry(
                *("pinhole", 3, "fuel inlet corner", "Two; light comes through.", "anode face"),
                places=("A1", "B1"),
                area_percent=1.0,
            ),
            FindingEntry("torn at the frame", 2, "fuel inlet corner"),
        ],
        "17": [FindingEntry("flattened for good", 2, "all round", "0.19 mm left of 0.40 mm.")],
        "11": [FindingEntry("flattened for good", 1, "fuel inlet side")],
    }
    with writing(lab, when, HERON_01_FAILED) as bench:
        search_cells(bench, leaking=10)
        bench.make_safe({"% vol": 0.3, "V": 0.08})
        bench.read_as_found("TD-2", 0.81)
        bench.open(shown(lab, "HERON-01", when))
        bench.lift(End.FREE, 19, findings)
        bench.photo("MEA on the light table.jpg", pictures.mea_with_pinhole(), FAILING)
        bench.photo("gasket beside it.jpg", pictures.flattened_gasket())


def _hold_sheet_77(lab: Lab, when: When) -> None:
    why = (
        "Flattened for good after 900 h beside a failed MEA: the compound of sheet 77 is in doubt."
    )
    with lab.work(when, "keiko") as work:
        for lot in (SHEET_77, "WG G-77/25"):
            lab.holds[lot] = place_hold(work, Subject(lot_id=lab.lots[lot]), reason=why)


def _concession(lab: Lab, when: When) -> None:
    with lab.work(when, "keiko") as work:
        give_concession(
            work,
            Subject(lot_id=lab.lots[SHEET_77]),
            reason="No other gas gaskets are in house. HERON-01 may be closed with them and run at"
            " 50 kPa at most; they are renewed as soon as lot G-83 is here.",
        )


def _heron_01_closed_again(lab: Lab, when: When) -> None:
    with going_on(lab, when, HERON_01_FAILED) as bench:
        bench.restack(
            lab.lifted[HERON_01_FAILED.name],
            End.FREE,
            gas=SHEET_77,
            coolant="HK K-12",
            instead={FAILING: heron_mea("HM-0131")},
        )
        bench.tighten("TD-2")
        bench.close(shown(lab, "HERON-01", when))
        make_tests(bench, HERON_01_LEAKS)
        bench.hand_in()


def _hold_failing(lab: Lab, when: When) -> None:
    throw_gaskets_away(lab, when, HERON_01_FAILED.name, "anton")
    with lab.work(when, "keiko") as work:
        move_part(
            work,
            lab.parts[FAILING],
            whereabouts=Whereabouts.IN_STORE,
            place="cabinet for held parts",
            reason="Kept for the microscope; see its trace.",
        )


def _reserve(lab: Lab, when: When) -> None:
    with lab.work(when, "anton") as work:
        reserve_part(
            work,
            lab.parts["HM-0132"],
            stack_id=lab.stacks["HERON-03"],
            reason="To take the place of the MEA of cell 8.",
        )


def _pair_tested(lab: Lab, when: When) -> None:
    """A spare pair of half plates, tight to the outside by helium before anybody needs it."""
    read = {
        "set_up": "3",
        "method": "helium mass spectrometer",
        "gas": "helium",
        "barometer": "101.2 kPa",
        "zero": "absolute",
        "start_pressure": "0.02 kPa",
        "start_temperature": "21.3 °C",
        "helium_mode": "vacuum, helium all around",
        "helium_path": "coolant to outside",
        "helium_reading": "0.00021",
        "helium_background_before": "0.00002",
        "helium_background_after": "0.00003",
        "helium_calibrated": "0.0011",
        "helium_calibrated_before": "0.00112",
        "helium_calibrated_after": "0.0011",
        "limit": "0.001 mbar·L/s",
        "limit_source": "design note 31, half plates",
    }
    with lab.work(when, "anton") as work:
        record_part_leak_test(
            work,
            PartsTested(("HF-0032", "HA-0032"), fixture="fixture 2, closed with 4 kN"),
            typed=read,
            instrument_id=lab.instruments["PG-1"],
            thermometer_id=lab.instruments["TH-1"],
            meter_id=lab.instruments["HE-1"],
        )


def _heron_03_open(lab: Lab, when: When) -> None:
    with writing(lab, when, HERON_03_OPEN) as bench:
        bench.make_safe()
        bench.read_as_found("TD-2", 0.96)
        bench.read_again()
        bench.open(shown(lab, "HERON-03", when))
        bench.lift(End.FREE, 3, {"3": [FindingEntry("bonded to the plate", 1, "one corner")]})
        bench.enter(
            hand_over,
            1.0,
            from_person_id=lab.people["mira"].id,
            to_person_id=lab.people["anton"].id,
            pile="Clamp off, three layers of the free end on the tray, the rest untouched.",
            covers="All six ports, film over the open end.",
        )
        bench.photo("free end, opened.jpg", pictures.opened_end())


def _hold_heron_03(lab: Lab, when: When) -> None:
    with lab.work(when, "keiko") as work:
        place_hold(
            work,
            Subject(stack_id=lab.stacks["HERON-03"]),
            reason="The coolant drained from it is brown. Nothing of it goes into another stack,"
            " and it does not run, before the water is analysed.",
        )


def _heron_02_whole(lab: Lab, when: When) -> None:
    with writing(lab, when, HERON_02_WHOLE) as bench:
        bench.make_safe()
        bench.read_as_found("TD-2", 0.93)
        bench.open(shown(lab, "HERON-02", when))
        lifted = bench.lift(End.FREE, 13)
        blank = next(layer.label for layer in lifted if layer.kind is Kind.BLANK_CELL)
        bench.restack(
            lifted,
            End.FREE,
            gas=NEW_LOT,
            coolant="HK K-17",
            instead={blank: heron_mea(TAKES_ITS_PLACE)},
        )
        bench.tighten("TD-2", stop_after=2 * len(HERON.rods) + 5)


def _no_witness(lab: Lab, when: When) -> None:
    with lab.work(when, "keiko") as work:
        waive_witness(
            work,
            lab.records[HERON_02_WHOLE.name],
            why=WaiverWhy.AWAY,
            reason="Mira is called to the endurance rig from here on; nobody else knows the stack.",
        )


def entries() -> list[Entry]:
    """Return what happened to the Herons."""

    def released(when: When, event: Event, by: str) -> Entry:
        return Entry(
            when, f"{event.name} released", lambda lab, at: release(lab, at, event.name, by)
        )

    def approved(when: When, event: Event, by: str) -> Entry:
        return Entry(
            when, f"{event.name} approved", lambda lab, at: approve(lab, at, event.name, by)
        )

    return [
        Entry(ago(104, TUE, "08:40"), "HERON-01: first build", _heron_01_first),
        approved(ago(104, THU, "10:20"), HERON_01_FIRST, "olu"),
        Entry(ago(90, TUE, "08:45"), "HERON-02: first build", _heron_02_first),
        approved(ago(90, WED, "15:10"), HERON_02_FIRST, "petra"),
        Entry(ago(59, TUE, "08:35"), "HERON-02: a blank cell", _heron_02_blank),
        Entry(ago(59, WED, "09:30"), "an MEA judged", _accept_used),
        approved(ago(59, THU, "11:05"), HERON_02_BLANK, "olu"),
        released(ago(59, THU, "11:30"), HERON_02_BLANK, "olu"),
        Entry(ago(57, TUE, "08:30"), "HERON-01: rebuild", _heron_01_moved_in),
        Entry(ago(57, WED, "10:10"), "HERON-01: parts put aside", _put_aside),
        approved(ago(57, THU, "09:25"), HERON_01_MOVED_IN, "petra"),
        released(ago(57, THU, "09:50"), HERON_01_MOVED_IN, "petra"),
        Entry(ago(45, TUE, "08:50"), "HERON-03: first build", _heron_03_first),
        approved(ago(44, MON, "11:40"), HERON_03_FIRST, "olu"),
        released(ago(44, MON, "12:00"), HERON_03_FIRST, "olu"),
        Entry(ago(12, TUE, "08:30"), "HERON-01: a failing MEA", _heron_01_failed),
        Entry(ago(12, TUE, "11:50"), "sheet 77 on hold", _hold_sheet_77),
        Entry(ago(12, TUE, "13:20"), "concession for HERON-01", _concession),
        Entry(ago(12, TUE, "13:40"), "HERON-01: closed again", _heron_01_closed_again),
        Entry(ago(12, WED, "09:10"), "the failing MEA on hold", _hold_failing),
        approved(ago(12, THU, "14:30"), HERON_01_FAILED, "petra"),
        Entry(ago(1, THU, "15:10"), "an MEA reserved", _reserve),
        Entry(ago(1, THU, "15:40"), "a pair of half plates tested", _pair_tested),
        Entry(last_working_day("09:10"), "HERON-03: opened", _heron_03_open),
        Entry(last_working_day("11:20"), "HERON-03 on hold", _hold_heron_03),
        Entry(last_working_day("12:40"), "HERON-02: half tightened", _heron_02_whole),
        Entry(last_working_day("15:40"), "HERON-02: no witness", _no_witness),
    ]
