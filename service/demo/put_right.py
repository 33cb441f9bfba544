"""What was put right or added: a test, a finding, a log's clock, an instrument, a word."""

from collections.abc import Callable

from sqlalchemy import select

from service.bench.changes import corrections
from service.bench.changes.calibration_corrections import record_calibration
from service.bench.queries.correctable_values import NOT_SAID
from service.bench.queries.corrections import Fact, correctable, correction
from service.demo import pictures
from service.demo.bench import Event
from service.demo.days import FRI, MON, THU, TUE, WED, When, ago
from service.demo.heron import HERON_01_FAILED
from service.demo.lab import PASSPHRASE, Entry, Lab
from service.demo.running import shown
from service.demo.wren import WREN_02_CELLS
from service.platform.changes import Stored
from service.platform.files import photos
from service.records.arithmetic.lab_words import LabWord
from service.records.changes.lab_words import show_word, write_word
from service.runs.changes.runs import correct_clock
from service.runs.tables import Run
from service.stacks.changes.hours import read_hours
from service.store.arithmetic.calibrations import CalibrationResult
from service.store.changes.calibrations import CalibrationEntry, DeviceEntry, change_device

STANDS = "stands"
SEEN_AT = "fuel inlet corner, anode side"
WORD = LabWord("RIB-MARK", "rib mark", ("MEA",), 1, "The plate's ribs show through the GDL.")


def _correct(
    event: Event, weeks: int, which: Callable[[Fact], bool], right: str, why: str
) -> list[Entry]:
    """A correction Mira writes and Olu approves, two days later."""
    key = f"{event.name}: {right}"

    def propose(lab: Lab, when: When) -> None:
        number = lab.records[event.name]
        with lab.work(when, "mira") as work:
            fact = next(each for each in correctable(work.session, number).facts if which(each))
            lab.records[key] = corrections.propose(
                work,
                number,
                of=fact.of,
                subject_id=fact.subject_id,
                field=fact.field,
                new_value=right,
                reason=why,
            )

    def decide(lab: Lab, when: When) -> None:
        with lab.work(when, "olu") as work:
            sha256 = correction(work.session, lab.records[key]).content_sha256
            signed = {"content_sha256": sha256, "password": PASSPHRASE}
            corrections.decide(work, lab.records[key], approve=True, **signed)

    return [
        Entry(ago(weeks, TUE, "11:40"), f"{event.stack}: correction written", propose),
        Entry(ago(weeks, THU, "09:50"), f"{event.stack}: correction approved", decide),
    ]


def _is_barometer(fact: Fact) -> bool:
    return fact.label.endswith(", barometer")


def _is_place(fact: Fact) -> bool:
    """Where a condition was seen, in words."""
    return fact.field == "where" and fact.old_value != NOT_SAID


def _put_clock_right(lab: Lab, when: When) -> None:
    with lab.work(when, "mira") as work:
        run_id = work.session.scalars(
            select(Run.id).where(Run.name.startswith("WREN-02")).order_by(Run.id.desc())
        ).first()
        why = "The bench's computer stood two minutes behind: compared with the lab's clock."
        correct_clock(work, run_id or 0, minutes=2.0, reason=why)


def _replace_cv_1(lab: Lab, when: When) -> None:
    with lab.work(when, "keiko") as work:
        entry = DeviceEntry(work.now, "serial 2207", "Channel 9 drifted; the maker sent another.")
        change_device(work, lab.instruments["CV-1"], entry)


def _certify_cv_1(lab: Lab, when: When) -> None:
    entry = CalibrationEntry(
        lab.days.noon(4), lab.days.noon(-48), "K-CV-1-110", CalibrationResult.IN_TOLERANCE, 0.02
    )
    with lab.work(when, "keiko") as work:
        file = _stored(lab, pictures.certificate("CV-1"), "K-CV-1-110.jpg")
        record_calibration(work, lab.instruments["CV-1"], entry, file)


def _stored(lab: Lab, content: bytes, name: str) -> Stored:
    return photos.store(lab.folder, photos.Checked(content, "image/jpeg", name))


def _own_word(lab: Lab, when: When) -> None:
    with lab.work(when, "keiko") as work:
        write_word(work, WORD, is_new=True, reason="Seen on two MEAs, and no word fitted.")
        picture = _stored(lab, pictures.rib_marks(), "rib-marks.jpg")
        show_word(work, WORD.code, picture, reason="As seen on the light table.")


def _hours_that_outrun_time(lab: Lab, when: When) -> None:
    """Read twice within minutes: the display jumps, and Anton says so."""
    with lab.work(when, "anton") as work:
        read_hours(
            work,
            lab.stacks["HERON-02"],
            hours=shown(lab, "HERON-02", when) + 3.0,
            taken_at=work.now,
            stands=STANDS,
            outside_because="The display jumped by three hours as it was looked at again.",
        )


def entries() -> list[Entry]:
    """Return what was put right, and what the laboratory added of its own."""
    return [
        *_correct(WREN_02_CELLS, 54, _is_barometer, "101.1 kPa", "Read off the wrong line."),
        *_correct(HERON_01_FAILED, 10, _is_place, SEEN_AT, "Anode and cathode were mixed up."),
        Entry(ago(2, MON, "08:31"), "HERON-02: hours that outrun time", _hours_that_outrun_time),
        Entry(ago(5, FRI, "09:20"), "WREN-02: clock of a log put right", _put_clock_right),
        Entry(ago(5, WED, "10:15"), "CV-1 replaced", _replace_cv_1),
        Entry(ago(4, MON, "14:10"), "CV-1 calibrated, with its certificate", _certify_cv_1),
        Entry(ago(3, TUE, "10:30"), "a word of the lab's, with its picture", _own_word),
    ]
