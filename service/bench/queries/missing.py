"""What a record being written still lacks: what keeps it from being handed in, and what is odd.

What has a key may be missing, but hand-in takes a reason for it. A remark without one keeps nobody
from handing in; the approval shows it. Where the stack's design keeps a pattern, the findings of
`pile_checks` stand in the same list.
"""

import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from typing import Any, Literal

from sqlalchemy import case, exists, func, select
from sqlalchemy.orm import Session

from service.closing.arithmetic.closing_checks import ClosingCheck
from service.closing.queries.build_torques import done_by_tests
from service.designs.arithmetic import grammar_findings
from service.designs.tables import DesignRod
from service.limits.arithmetic.closing_modes import ClosingMode, CornersAsked
from service.physics.arithmetic.conditions import NOT_INSPECTED
from service.planning.arithmetic.picks import Fate
from service.platform.arithmetic.vocabulary import End, Kind, Press, Stage, Whereabouts
from service.platform.queries.answers import columns, read_as
from service.platform.queries.statements import known
from service.proof.queries.build_verdicts import ClosedVerdicts, not_tested, tests_in_words
from service.records.queries.inserted import event_before
from service.records.queries.make_safe import asked_of
from service.records.queries.pile_checks import PileCheck, pile_check
from service.records.queries.records import RecordHead
from service.records.queries.working_piles import WorkingPile
from service.records.tables import (
    CornerHeightRead,
    Finding,
    MakeSafeLine,
    RebuildRecord,
    RecordKind,
    RecordState,
    Step,
    StepKind,
    ToolCheck,
    ToolSetting,
    TorqueReading,
)
from service.stacks.tables import Build, Fixing, HourReading, Layer, Stack
from service.store.arithmetic.make_safe import SafeAct, lines_missing
from service.store.tables import Instrument, Part, PartType

# What a record being written says of itself, for the search for what it lacks.


@dataclass(frozen=True, slots=True)
class MissingItem:
    """A standing entry, and the conditions noted with it."""

    sequence: int
    kind: StepKind
    part_id: int | None
    note: str
    rod_number: int | None
    line_number: int | None
    act: SafeAct | None
    deviation: str | None
    deviation_because: str | None
    conditions: frozenset[str]


def standing_entries(session: Session, record_id: int) -> list[MissingItem]:
    """Return the standing entries in their order. Two statements."""
    conditions: dict[int, set[str]] = {}
    for step_id, condition in session.execute(
        select(Finding.step_id, Finding.condition).where(
            Finding.record_id == record_id, known(Finding)
        )
    ):
        conditions.setdefault(step_id, set()).add(condition)
    rows = session.execute(
        select(Step.id, *columns(MissingItem, Step, MakeSafeLine))
        .outerjoin(MakeSafeLine, MakeSafeLine.step_id == Step.id)
        .where(Step.record_id == record_id, Step.undone_at.is_(None))
        .order_by(Step.sequence)
    )
    return [
        read_as(MissingItem, row, conditions=frozenset(conditions.get(row.id, ()))) for row in rows
    ]


Severity = Literal["blocks", "remark"]
BLOCKS: Severity = "blocks"
REMARK: Severity = "remark"
AT_EVERY_ROD = (Kind.TIE_ROD, Kind.SLEEVE, Kind.NUT)
HAS_TO_CLOSE = (RecordKind.FIRST_BUILD, RecordKind.REBUILD, RecordKind.TAKEN_OVER)
HAS_TO_OPEN = (RecordKind.REBUILD, RecordKind.TEARDOWN)
NAMED_MOST = 6
REMARKED = grammar_findings.Severity.REMARK
ANCHORS = {
    StepKind.OPENED: "opening",
    StepKind.CLOSED: "closing",
    StepKind.TORQUE: "torque",
    StepKind.TOOL_SET: "torque",
    StepKind.HELD: "held",
    StepKind.LIFTED_OFF: "lifting",
    StepKind.PUT_ON: "putting-on",
    StepKind.LEAK_TEST: "tests",
}
"""Where on the bench an entry that departs from what was set is made."""
CHECKS = "closing-checks"
FIXINGS = "fixings"
CORNERS = "corners"
HELD = "held"
TESTS = "tests"
NOT_DONE = "not_done"
"""Name of the reasons hand-in takes, by key."""
KIT = "kit-"
"""Before the number of a part picked and not put on, as a key."""
CHECKED = "check"
"""Anchor of what the check of the pile found: it has a page of its own."""


@dataclass(frozen=True, slots=True)
class Missing:
    """One thing missing or odd; ``anchor`` is the section of the bench page it belongs to.

    ``key`` names what may be missing for a reason, of which hand-in asks; empty for anything else.
    """

    severity: Severity
    sentence: str
    anchor: str
    key: str = ""
    part_id: int | None = None
    """a part picked and not put on: the reason begins with what became of it"""

    @property
    def answers(self) -> tuple[str, ...]:
        """What the reason is one of; empty: any reason."""
        return tuple(Fate) if self.part_id is not None else ()

    @property
    def is_open(self) -> bool:
        """Say whether something is still to be done, and not only to be known."""
        return self.severity == BLOCKS or bool(self.key)

    @property
    def field(self) -> str:
        """Where the reason is given."""
        return f"{NOT_DONE}.{self.key}"


def _may_be_missing(sentence: str, anchor: str, of: str) -> Missing:
    """Return what is missing and may be; its key is made of what it is of."""
    return Missing(REMARK, sentence, anchor, re.sub(r"[^a-z0-9]+", "-", of.lower()).strip("-"))


def to_be_reasoned(missing: Iterable[Missing]) -> tuple[Missing, ...]:
    """Return what hand-in asks a reason for."""
    return tuple(each for each in missing if each.key)


def missing_of(
    session: Session, head: RecordHead, pile: WorkingPile, closed: ClosedVerdicts | None
) -> tuple[Missing, ...]:
    """Return the same for a record whose head, pile and verdicts are at hand."""
    entries = standing_entries(session, head.id)
    check = pile_check(session, head.id, pile)
    lines = [
        *_opening(session, head, entries),
        *_layers(session, head, pile, entries, check),
        *_elsewhere(session, head, pile),
        *_by_pattern(head, check),
        *_fixings(session, head, pile, check),
        *_torque(session, head, closed),
        *_deviations(entries),
        *_closing(head, pile),
        *_closing_checks(session, head, entries, check),
        *(
            _may_be_missing(f"Not tested: {test}.", TESTS, f"test {test}")
            for test in not_tested(head, closed)
        ),
        *(Missing(REMARK, sentence, TESTS) for sentence in tests_in_words(closed)),
    ]
    if head.kind is RecordKind.TAKEN_OVER:  # nobody was asked to do what its list does not say
        lines = [replace(line, key="") for line in lines]
    deviations = {entry.deviation for entry in entries if entry.kind is StepKind.NOT_DONE}
    lines = [line for line in lines if not (line.key and line.sentence in deviations)]
    return tuple(sorted(lines, key=lambda missing: missing.severity != BLOCKS))


def _opening(session: Session, head: RecordHead, entries: list[MissingItem]) -> Iterator[Missing]:
    if not head.opens:
        return
    exceptions = [
        entry.note for entry in entries if entry.kind is StepKind.EXCEPTION and entry.act is None
    ]
    recorded = {
        entry.line_number
        for entry in entries
        if entry.line_number and entry.kind is StepKind.MAKE_SAFE and entry.act is None
    }
    missing = lines_missing(asked_of(session, head.id)[SafeAct.OPENING].lines, recorded)
    if exceptions:
        yield Missing(REMARK, f"Opened by an exception to make-safe: {exceptions[-1]}", "make-safe")
    elif missing and (head.opened_at is not None or head.kind in HAS_TO_OPEN):
        numbers = ", ".join(str(line.number) for line in missing)
        yield Missing(BLOCKS, f"Make-safe is not recorded complete: lines {numbers}.", "make-safe")
    if head.opened_at is None:
        if head.kind in HAS_TO_OPEN:
            yield Missing(BLOCKS, "The opening is not recorded.", "opening")
        return
    at_opening = select(HourReading.id).where(
        HourReading.record_id == head.id, HourReading.known_until.is_(None)
    )
    if session.scalar(at_opening.limit(1)) is None:
        why = next((e.note for e in entries if e.kind is StepKind.OPENED), "")
        yield Missing(REMARK, f"The hours at opening are not known: {why}", "opening")


def _by_pattern(head: RecordHead, check: PileCheck) -> Iterator[Missing]:
    """What the check of the pile says, with what would mend it or who accepted it."""
    if not check.is_made and head.kind in HAS_TO_CLOSE:
        sentence = f"The layers are not checked: {check.kept.design} has no pattern in force."
        yield Missing(REMARK, sentence, CHECKED)
    for judgement in check.judged:
        capitalised = judgement.finding.sentence[:1].upper() + judgement.finding.sentence[1:]
        if judgement.departure is not None:
            sentence = (
                f"{capitalised}: accepted by {judgement.departure.by}: {judgement.departure.reason}"
            )
        elif judgement.severity is grammar_findings.Severity.CONCESSION:
            sentence = f"{capitalised}: needs a concession. {judgement.finding.mend}"
        elif judgement.severity is not judgement.finding.severity:
            sentence = f"{capitalised}. So it was found; this record does not answer for it."
        else:
            sentence = f"{capitalised}. {judgement.finding.mend}"
        yield Missing(REMARK if judgement.severity is REMARKED else BLOCKS, sentence, CHECKED)


def _layers(
    session: Session,
    head: RecordHead,
    pile: WorkingPile,
    entries: list[MissingItem],
    check: PileCheck,
) -> Iterator[Missing]:
    lifted = [entry for entry in entries if entry.kind is StepKind.LIFTED_OFF]
    noted = {e.part_id for e in entries if e.conditions}
    for entry in lifted:
        if entry.part_id not in noted:
            sentence = f"Entry {entry.sequence} lifts a layer off without a finding."
            yield Missing(BLOCKS, sentence, "lifting")
    not_inspected = sum(entry.conditions == {NOT_INSPECTED} for entry in lifted)
    if not_inspected:
        of = f"{not_inspected} of {len(lifted)}"
        sentence = f"{of} layers lifted off were not inspected."
        yield _may_be_missing(sentence, "lifting", "inspection")
    parts = {layer.layer.part: layer.layer.label for layer in pile.lifted}
    parts |= {fixing.part: fixing.label for fixing in pile.fixings_removed}
    still = _still_lifted_off(session, parts)
    if still:
        sentence = (
            f"Lifted off and not put back: {_names(still)}. Where they went is still to be said,"
            " once the record is handed in."
        )
        yield Missing(REMARK, sentence, "parts")
    back = [] if check.is_made else _to_be_renewed(session, head, pile)
    if back:
        sentence = f"To be renewed at each opening, but put back: {_names(back)}."
        yield Missing(REMARK, sentence, "putting-on")


def _still_lifted_off(session: Session, parts: dict[int, str]) -> list[str]:
    rows = session.scalars(
        select(Part.id).where(Part.id.in_(parts), Part.whereabouts == Whereabouts.LIFTED_OFF)
    )
    standing = set(rows)
    return [label for part, label in parts.items() if part in standing]


def _to_be_renewed(session: Session, head: RecordHead, pile: WorkingPile) -> list[str]:
    """Layers put on in this record although they were in a build before and are to be renewed.

    Builds of later records say nothing about this one.
    """
    rows = session.execute(
        select(Step.part_id)
        .join(Part, Part.id == Step.part_id)
        .join(PartType, PartType.id == Part.part_type_id)
        .where(
            Step.record_id == head.id,
            Step.undone_at.is_(None),
            Step.kind == StepKind.PUT_ON,
            PartType.renew_at_opening,
            exists()
            .where(Layer.part_id == Part.id, Layer.build_id == Build.id)
            .where(event_before(Build.record_id, head.id)),
        )
    )
    put_back = {row.part_id for row in rows}
    return [layer.label for layer in pile.layers if layer.part in put_back]


def _elsewhere(session: Session, head: RecordHead, pile: WorkingPile) -> Iterator[Missing]:
    labels = {layer.part: layer.label for layer in pile.layers}
    labels |= {fixing.part: fixing.label for fixing in pile.fixings}
    begun = (RecordState.OPEN, RecordState.SENT_BACK)
    for table in (Layer, Fixing):
        rows = session.execute(
            select(table.part_id, Stack.serial, RebuildRecord.id)
            .join(Build, Build.id == table.build_id)
            .join(Stack, Stack.id == Build.stack_id)
            .outerjoin(
                RebuildRecord, (RebuildRecord.stack_id == Stack.id) & RebuildRecord.state.in_(begun)
            )
            .where(table.part_id.in_(labels), table.present, Build.stack_id != head.stack_id)
        )
        for part_id, serial, record_id in rows:
            first = f": hand in record {record_id} first" if record_id else ""
            sentence = f"{labels[part_id]} still counts as fitted in {serial}{first}."
            yield Missing(BLOCKS, sentence, "putting-on")


def _fixings(
    session: Session, head: RecordHead, pile: WorkingPile, check: PileCheck
) -> Iterator[Missing]:
    if check.kept.on_each_rod and check.is_made and head.closed_at is not None:
        return  # the check has counted them
    if not pile.layers or (head.opened_at is None and head.opens and head.kind not in HAS_TO_OPEN):
        return
    rods = list(_rods(session, head))
    kinds = {fixing.kind for fixing in pile.fixings if fixing.rod_number is not None}
    standing = {(fixing.kind, fixing.rod_number) for fixing in pile.fixings}
    for kind in [kind for kind in Kind if kind in AT_EVERY_ROD or kind in kinds]:
        without = [rod for rod in rods if (kind, rod) not in standing]
        if without:
            sentence = f"No {kind} is entered at {_rods_in_words(without)}."
            yield _may_be_missing(sentence, FIXINGS, f"fixing {kind}")
    at_ends = {f.end for f in pile.fixings if f.kind is Kind.COMPRESSION_PLATE}
    for end in End:
        if end not in at_ends:
            sentence = f"No compression plate is entered at the {end}."
            yield _may_be_missing(sentence, FIXINGS, f"compression plate {end}")


def _torque(session: Session, head: RecordHead, closed: ClosedVerdicts | None) -> Iterator[Missing]:
    rows = session.execute(
        select(
            TorqueReading.rod_number,
            TorqueReading.pass_number,
            TorqueReading.torque_nm,
            TorqueReading.press,
        )
        .join(Step, Step.id == TorqueReading.step_id)
        .where(
            TorqueReading.record_id == head.id,
            TorqueReading.stage == Stage.CLOSING,
            TorqueReading.known_until.is_(None),
        )
        .order_by(TorqueReading.pass_number, Step.sequence)
    ).all()
    clamp = closed.figures.clamp if closed else None
    mode = clamp.mode if clamp else ClosingMode.TORQUE
    if mode is not ClosingMode.TORQUE and head.kind is not RecordKind.RE_TORQUE:
        yield from _held_missing(session, head, mode)
        yield from _settings_unchecked(session, head)
        yield from _corners_missing(session, head, closed, {row.pass_number for row in rows})
        return
    if head.kind is RecordKind.RE_TORQUE and not rows:
        yield Missing(BLOCKS, "No torque reading is entered, and a re-torque is one.", "torque")
        return
    if not rows and head.closed_at is None:
        return
    last = {row.rod_number: row for row in rows}
    rods = list(_rods(session, head))
    without = [rod for rod in rods if rod not in last]
    if without:
        sentence = f"No closing torque reading at {_rods_in_words(without)}."
        yield _may_be_missing(sentence, "torque", "torque")
    final = max((row.pass_number for row in rows), default=0)
    behind = [rod for rod in rods if rod in last and last[rod].pass_number < final]
    if behind:
        sentence = f"No reading in pass {final} at {_rods_in_words(behind)}."
        yield _may_be_missing(sentence, "torque", "torque of the last pass")
    yield from _passes_skipped(head, rods, {(row.pass_number, row.rod_number) for row in rows})
    if rows and final < head.passes and head.kind is not RecordKind.RE_TORQUE:
        sentence = f"The design asks for {head.passes} passes; {final} are entered."
        yield _may_be_missing(sentence, "torque", "passes")
    elif rows and final == head.passes and head.kind is not RecordKind.RE_TORQUE:
        yield from _settling(head, closed)
    moved = [rod for rod, row in sorted(last.items()) if row.press in (Press.CLICKED, Press.MOVED)]
    if moved and final >= (1 if head.kind is RecordKind.RE_TORQUE else head.passes):
        sentence = (
            f"Nothing says that the nuts at {_rods_in_words(moved)} did not move in pass {final}."
            " Tighten every nut again in a further pass, until none moves."
        )
        yield _may_be_missing(sentence, "torque", "nuts that did not move")
    yield from _settings_unchecked(session, head)
    yield from _corners_missing(session, head, closed, {row.pass_number for row in rows})
    outside = [rod for rod, row in sorted(last.items()) if _is_outside(head, row)]
    if outside:
        rods_words = _rods_in_words(outside)
        sentence = (
            f"The last reading at {rods_words} is further than {head.tolerance_percent:g}\u2009%"
            f" from the target of {head.target_nm:g}\u2009N·m."
        )
        yield Missing(REMARK, sentence, "torque")


def _held_missing(session: Session, head: RecordHead, mode: ClosingMode) -> Iterator[Missing]:
    """What a closing that does not go by its torques lacks: how it was held."""
    held = select(Step.id).where(
        Step.record_id == head.id, Step.kind == StepKind.HELD, Step.undone_at.is_(None)
    )
    if head.closed_at is not None and session.scalar(held.limit(1)) is None:
        sentence = f"The design closes {mode}: nothing says how the stack was held."
        yield _may_be_missing(sentence, HELD, "how the stack was held")


def _corners_missing(
    session: Session, head: RecordHead, closed: ClosedVerdicts | None, passes: set[int]
) -> Iterator[Missing]:
    """Passes after which the corners were not measured, where the figures ask for it."""
    clamp = closed.figures.clamp if closed else None
    if clamp is None or clamp.corners_asked is not CornersAsked.ALWAYS:
        return
    measured = session.scalars(
        select(CornerHeightRead.pass_number)
        .join(Step, Step.id == CornerHeightRead.step_id)
        .where(CornerHeightRead.record_id == head.id, Step.undone_at.is_(None))
    )
    without = sorted(passes - set(measured))
    if without:
        numbers = ", ".join(map(str, without))
        sentence = f"No height at the corners measured after pass {numbers}."
        yield _may_be_missing(sentence, CORNERS, "heights at the corners")


def _settings_unchecked(session: Session, head: RecordHead) -> Iterator[Missing]:
    """Settings of click tools that no tester checked before or after their pass."""
    rows = session.execute(
        select(
            ToolSetting.pass_number,
            Instrument.label,
            func.max(case((ToolSetting.moment == ToolCheck.BEFORE, ToolSetting.checked_nm))),
            func.max(case((ToolSetting.moment == ToolCheck.AFTER, ToolSetting.checked_nm))),
        )
        .join(Step, Step.id == ToolSetting.step_id)
        .join(Instrument, Instrument.id == ToolSetting.instrument_id)
        .where(ToolSetting.record_id == head.id, Step.undone_at.is_(None))
        .group_by(ToolSetting.pass_number, Instrument.label)
        .order_by(ToolSetting.pass_number, Instrument.label)
    )
    for number, label, *checks in rows:
        unchecked = [
            str(moment) for moment, nm in zip(ToolCheck, checks, strict=True) if nm is None
        ]
        if unchecked:
            sentence = (
                f"{label} was not checked on a tester {' and '.join(unchecked)} pass {number}."
            )
            yield _may_be_missing(sentence, "torque", f"check of the tool {label} pass {number}")


def _passes_skipped(
    head: RecordHead, rods: list[int], read: set[tuple[int, int]]
) -> Iterator[Missing]:
    """Nuts a later pass was read of, and not this one."""
    if head.kind is RecordKind.RE_TORQUE:
        return
    for number in range(1, head.passes):
        later = {rod for at, rod in read if at > number}
        skipped = [rod for rod in rods if rod in later and (number, rod) not in read]
        if skipped:
            sentence = f"Pass {number} was skipped at {_rods_in_words(skipped)}."
            yield _may_be_missing(sentence, "torque", f"pass {number}")


def _settling(head: RecordHead, closed: ClosedVerdicts | None) -> Iterator[Missing]:
    """The pass after settling, where figures of the design in force ask for it; none was read."""
    clamp = closed.figures.clamp if closed else None
    if head.closed_at is not None and clamp and clamp.settling_minutes:
        sentence = f"No nut was read again after settling for {clamp.settling_minutes:g}\u2009min."
        yield _may_be_missing(sentence, "torque", "settling")


def _deviations(entries: list[MissingItem]) -> Iterator[Missing]:
    for entry in entries:
        if entry.deviation is not None and entry.kind is not StepKind.NOT_DONE:
            sentence = f"Entry {entry.sequence} departs: {entry.deviation}"
            yield Missing(
                REMARK, f"{sentence} Kept because: {entry.deviation_because}", ANCHORS[entry.kind]
            )


def _is_outside(head: RecordHead, row: Any) -> bool:
    off = abs(row.torque_nm - head.target_nm)
    return bool(off > head.tolerance_percent / 100 * head.target_nm * (1 + 1e-9))


def _closing(head: RecordHead, pile: WorkingPile) -> Iterator[Missing]:
    if head.closed_at is not None:
        return
    if head.kind in HAS_TO_CLOSE:
        yield Missing(BLOCKS, "The closing is not recorded.", "closing")
    elif head.opened_at is not None and head.kind is not RecordKind.TEARDOWN:
        yield Missing(BLOCKS, "The stack was opened and its closing is not recorded.", "closing")
    elif head.opened_at is not None and pile.layers:
        count = len(pile.layers)
        sentence = f"{count} layers still stand in the open stack: lift them off, or close it."
        yield Missing(BLOCKS, sentence, "lifting")


def _closing_checks(
    session: Session, head: RecordHead, entries: list[MissingItem], check: PileCheck
) -> Iterator[Missing]:
    """Height, thread, sleeves and shorts: of a stack closed here by a design that is checked."""
    is_closed_here = head.closed_at is not None and (
        head.opened_at is not None or head.kind is RecordKind.FIRST_BUILD
    )
    if not check.is_made or not is_closed_here:
        return
    checked = {(e.line_number, e.rod_number) for e in entries if e.kind is StepKind.CLOSING_CHECK}
    if done_by_tests(e.kind for e in entries):
        checked.add((ClosingCheck.SHORTS.number, None))
    for kind in ClosingCheck:
        if kind is ClosingCheck.PROTRUSION:
            rods = [rod for rod in _rods(session, head) if (kind.number, rod) not in checked]
            if rods:
                sentence = f"No {kind} recorded for {_rods_in_words(rods)}."
                yield _may_be_missing(sentence, CHECKS, f"check {kind}")
        elif (kind.number, None) not in checked:
            sentence = f"Closing check not recorded: {kind}."
            yield _may_be_missing(sentence, CHECKS, f"check {kind}")


def _rods(session: Session, head: RecordHead) -> Iterable[int]:
    return session.scalars(
        select(DesignRod.number)
        .where(DesignRod.design_id == head.design_id)
        .order_by(DesignRod.number)
    )


def _rods_in_words(rods: list[int]) -> str:
    numbers = ", ".join(str(rod) for rod in rods)
    return f"rod {numbers}" if len(rods) == 1 else f"rods {numbers}"


def _names(labels: list[str]) -> str:
    more = len(labels) - NAMED_MOST
    return ", ".join(labels[:NAMED_MOST]) + (f" and {more} more" if more > 0 else "")
