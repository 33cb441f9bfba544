"""What somebody reads of one need: a sentence, where to go, and which act it asks for."""

from dataclasses import dataclass
from datetime import datetime
from urllib.parse import quote

from service.life.queries.failing import read_reasons
from service.life.tables import RuleAnswer
from service.overview.queries.columns import NeedKind
from service.platform.arithmetic.verdicts import Verdict
from service.platform.permissions import Act
from service.proof.arithmetic.tests_in_words import THIN
from service.records.tables import RecordKind
from service.stacks.arithmetic.running_hours import Hours

ASKS_FOR = {
    NeedKind.RAN_UNRELEASED: Act.BUILD_RELEASE,
    NeedKind.RELEASE_AGAIN: Act.BUILD_RELEASE,
    NeedKind.FAILING: Act.RECORD_WRITE,
    NeedKind.RULE_MET: Act.FAILING_CONFIRM,
    NeedKind.LEAK_TEST: Act.RECORD_WRITE,
    NeedKind.RE_TORQUE: Act.RECORD_WRITE,
    NeedKind.INSTRUMENT: Act.USE_JUDGE,
    NeedKind.HELD: Act.HOLD_LIFT,
    NeedKind.TO_DECIDE: Act.HOLD_LIFT,
    NeedKind.NOT_INSPECTED: Act.PART_JUDGE,
    NeedKind.SILENT: Act.HOURS_WRITE,
    NeedKind.RECORD_WAITING: Act.RECORD_APPROVE,
    NeedKind.CORRECTION_WAITING: Act.CORRECTION_DECIDE,
    NeedKind.SENT_BACK: Act.RECORD_WRITE,
}
"""Which leave somebody must have to see to it."""
MOST_REASONS = 2


@dataclass(frozen=True, slots=True)
class FittedPart:
    """A fitted part as people call it, and where it sits; ``cell`` None: in no cell."""

    id: int
    label: str
    kind: str
    cell: int | None
    is_mea: bool

    @property
    def words(self) -> str:
        """Kind, label and place."""
        place = f" in cell {self.cell}" if self.cell else ""
        return f"{self.kind[:1].upper()}{self.kind[1:]} {self.label}{place}"


@dataclass(frozen=True, slots=True)
class StackNeed:
    """One need as it was found; ``more`` like it (parts of one held lot) are told with it."""

    kind: NeedKind
    stack_id: int
    subject_id: int
    other_id: int
    by_id: int
    at: datetime | None
    note: str
    more: int = 0


@dataclass(frozen=True, slots=True)
class About:
    """What of its stack a sentence names; ``ran`` are the hours of the present build."""

    serial: str
    build_number: int | None
    being_written_id: int | None
    ran: Hours | None
    part: FittedPart | None
    instrument: str


def sentence(need: StackNeed, about: About) -> str:
    """Say what is the matter, in a sentence. Times stand beside it."""
    build = f"Build {about.build_number}" if about.build_number else "The closed stack"
    reasons = _reasons(need.note) if need.kind is NeedKind.RULE_MET else ""
    part = about.part.words if about.part else "A part"
    number, of = need.subject_id, need.note
    sentences = {
        NeedKind.RAN_UNRELEASED: f"{build} {_ran(about.ran, of)} and is not released.",
        NeedKind.RELEASE_AGAIN: (
            f"{build}: release again. {f'Correction {of}' if of else 'A calibration'} ended its"
            " release."
        ),
        NeedKind.FAILING: f"{part} is failing and still fitted: {_ended(of)}",
        NeedKind.RULE_MET: f"{part} meets the rule for failing: {reasons}",
        NeedKind.LEAK_TEST: _leak(of, build),
        NeedKind.RE_TORQUE: f"{build} has settled: its nuts were not read again.",
        NeedKind.INSTRUMENT: (
            f"{about.instrument} was used on {_begun_small(build)} {of}: to be judged."
        ),
        NeedKind.HELD: _held(need, part),
        NeedKind.TO_DECIDE: f"{part} waits for a decision: {_ended(of)}",
        NeedKind.NOT_INSPECTED: _not_inspected(number),
        NeedKind.SILENT: "The bench has stopped reporting its hours.",
        NeedKind.RECORD_WAITING: f"Record {number} ({of}) waits for an approval.",
        NeedKind.CORRECTION_WAITING: (
            f"A correction of record {need.other_id} ({of}) waits for a decision."
        ),
        NeedKind.SENT_BACK: f"Record {number} ({of}) was sent back.",
    }
    return sentences[need.kind]


def _begun_small(text: str) -> str:
    return text[:1].lower() + text[1:]


def _ran(ran: Hours | None, note: str) -> str:
    if note == RecordKind.TAKEN_OVER:
        return "has run since it was taken over"
    if ran is None or ran.hours <= 0:
        return "has run"
    least = "at least " if ran.at_least else ""
    return f"ran {least}{ran.hours:.1f}{THIN}h"


def _leak(note: str, build: str) -> str:
    if note == Verdict.FAIL:
        return f"{build} failed its last leak test."
    if note == "invalid":
        return f"{build} has a leak test that was marked invalid: test again."
    if note == Verdict.TEST_AGAIN:
        return f"{build} was worked on since its leak test: test again."
    return f"{build} has no leak test since its closing."


def _not_inspected(number: int) -> str:
    parts = "One fitted part was" if number == 1 else f"{number} fitted parts were"
    return f"{parts} never inspected."


def _held(need: StackNeed, part: str) -> str:
    if not need.other_id:
        return _ended(need.note)
    fitted = f"{part} and {need.more} more are" if need.more else f"{part} is"
    return f"{fitted} fitted and on hold: {_ended(need.note)}"


def _reasons(note: str) -> str:
    """What of the rule is met."""
    met = [
        read_reason.words
        for read_reason in read_reasons(note)
        if read_reason.answer is RuleAnswer.MET
    ]
    return _ended("; ".join(met[:MOST_REASONS]))


def _ended(text: str) -> str:
    text = text.strip()
    return text if text.endswith((".", "!", "?")) else f"{text}."


def address(need: StackNeed, about: About) -> str:
    """Return the address where somebody who may see to it sees to it."""
    stack = quote(about.serial, safe="")
    cell = about.part.cell if about.part else None
    replaced = f"?replace_cells={cell}" if cell else ""
    acts = {
        NeedKind.FAILING: f"/stacks/{stack}/changeover{replaced}",
        NeedKind.RULE_MET: f"/parts/{need.subject_id}/failing",
        NeedKind.LEAK_TEST: _at_the_bench(about, stack, "tests", "inspection"),
        NeedKind.RE_TORQUE: _at_the_bench(about, stack, "torque", "re-torque"),
        NeedKind.NOT_INSPECTED: f"/parts/inspection?stack={stack}",
    }
    return acts.get(need.kind) or looked_at(need, about)[1]


def looked_at(need: StackNeed, about: About) -> tuple[str, str]:
    """Return where anybody looks at it: the page in a word, and its address."""
    stack = f"/stacks/{quote(about.serial, safe='')}"
    closed = f"/builds/{need.subject_id}/release" if need.subject_id else stack
    return {
        NeedKind.RAN_UNRELEASED: ("verdicts", closed),
        NeedKind.RELEASE_AGAIN: ("verdicts", closed),
        NeedKind.FAILING: ("trace", f"/parts/{need.subject_id}/trace"),
        NeedKind.RULE_MET: ("life", f"/parts/{need.subject_id}/life"),
        NeedKind.LEAK_TEST: ("verdicts", closed),
        NeedKind.RE_TORQUE: ("verdicts", closed),
        NeedKind.INSTRUMENT: ("instrument", f"/instruments/{need.subject_id}"),
        NeedKind.HELD: ("hold", f"/holds/{need.subject_id}"),
        NeedKind.TO_DECIDE: ("part", f"/parts/{need.subject_id}"),
        NeedKind.NOT_INSPECTED: ("layers", f"{stack}#map"),
        NeedKind.SILENT: ("hours", f"{stack}/hours"),
        NeedKind.RECORD_WAITING: ("record", f"/records/{need.subject_id}/approval"),
        NeedKind.CORRECTION_WAITING: ("correction", f"/corrections/{need.subject_id}"),
        NeedKind.SENT_BACK: ("record", f"/records/{need.subject_id}/approval"),
    }[need.kind]


def _at_the_bench(about: About, stack: str, place: str, kind: str) -> str:
    """In the record being written, or in a new one of the kind that does it."""
    if about.being_written_id:
        return f"/records/{about.being_written_id}/bench?at={place}"
    return f"/records/new?stack={stack}&kind={quote(kind)}"
