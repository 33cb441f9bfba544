"""Handing in a record: from now on its physical facts count and its content is frozen.

A record that was sent back, taken up and handed in again is settled anew: what differs from the
first time is closed out, what is the same stays as it was known.
"""

from collections.abc import Mapping, Sequence
from datetime import datetime
from types import MappingProxyType

from sqlalchemy import func, select, update

from service.bench.queries.missing import BLOCKS, NOT_DONE, Missing, to_be_reasoned
from service.closing.changes.results import keep_closing_result
from service.planning.arithmetic.picks import WHERE, Fate
from service.planning.queries.kits import missing_with_kit
from service.platform.arithmetic.dates import in_utc
from service.platform.arithmetic.vocabulary import Whereabouts
from service.platform.audit import Change, Event
from service.platform.changes import LONG_MOST, optional_words
from service.platform.database import Work
from service.platform.errors import Question, Refused, RefusedTogether
from service.platform.tables import Attachment
from service.proof.queries.build_verdicts import verdicts_of_head
from service.records.arithmetic.lab_words import Answers, WordList
from service.records.changes import journal
from service.records.queries.content import record_content
from service.records.queries.inserted import opened_since
from service.records.queries.lab_words import newest_words, said_in
from service.records.queries.records import record_head
from service.records.queries.working_piles import WorkingPile, working_pile
from service.records.tables import RebuildRecord, RecordState, Step, StepKind
from service.stacks.changes import supersede
from service.stacks.changes.build_features import keep_makeups
from service.stacks.changes.rule_verdicts import judge_stack
from service.stacks.tables import Build, BuildPeriod, HourReading
from service.store.tables import Part

NO_REASONS: Mapping[str, str] = MappingProxyType({})


def hand_in(
    work: Work, record_id: int, version: int | None, *, not_done: Mapping[str, str] = NO_REASONS
) -> str:
    """Write the record's build, freeze its content, and give the content's SHA-256.

    ``not_done``: why what is missing is not done, by the keys of what may be missing. Raises
    Refused or RefusedTogether for what must not be missing, and for parts which another record has
    lifted off but not handed in; Question for each thing missing without a reason; Stale, NotFound
    and NotAllowed as every entry does.
    """
    record = journal.lock_record(work, record_id, version)
    pile = working_pile(work.session, record_id)
    left_out = _asked_of_missing(work, record, pile, not_done)
    changes = [*_settle_base(work, record), *_settle_own(work, record, pile)]
    _take_fixings_off(work, record, pile)
    changes += _keep_not_done(work, record, left_out)
    _let_parts_go(work, record)
    record.signed_base_build_id = None
    record.handed_in_at, record.handed_in_by_id = _handed_in_at(work, record), work.by.id
    changes += keep_closing_result(work, record, pile)
    work.session.flush()
    content = record_content(work.session, [record_id])[record_id]
    record.content, record.content_sha256 = content.canonical, content.sha256
    record.state = RecordState.HANDED_IN
    work.session.flush()
    own_build = _own_build(work, record)
    keep_makeups(work, {record.base_build_id or 0, own_build.id if own_build else 0} - {0})
    judge_stack(work, record.stack_id)
    journal.finish_entry(
        work,
        record,
        journal.TrailNote(
            "handed in",
            (
                ("state", RecordState.OPEN, RecordState.HANDED_IN),
                *changes,
                ("content", None, content.sha256),
            ),
            did=Event.RECORD_HANDED_IN,
        ),
    )
    return content.sha256


def _asked_of_missing(
    work: Work, record: RebuildRecord, pile: WorkingPile, reasons: Mapping[str, str]
) -> list[tuple[Missing, str]]:
    """Give what is missing with its reason; everything that keeps the record is raised at once."""
    head = record_head(work.session, record.id)
    missing = missing_with_kit(work.session, head, pile, verdicts_of_head(work.session, head))
    refused = [
        Refused(each.anchor, "", each.sentence) for each in missing if each.severity == BLOCKS
    ]
    left_out = []
    words = newest_words(work.session, WordList.REASONS)[1]
    given = {
        key: said_in(
            words,
            optional_words(f"{NOT_DONE}.{key}", reason, most=LONG_MOST),
            Answers.NOT_DONE,
            f"{NOT_DONE}.{key}",
        )
        for key, reason in reasons.items()
    }
    for each in to_be_reasoned(missing):
        because = given.pop(each.key, "")
        if because and each.answers and because.split(":")[0].strip() not in each.answers:
            right = f"{', '.join(each.answers)}; words may follow after a colon."
            refused.append(Refused(each.field, because, "it does not say where it is.", right))
        elif because:
            left_out.append((each, because))
        else:
            refused.append(_why_not_done(each))
    refused += [
        Refused(
            f"{NOT_DONE}.{key}",
            because,
            "nothing of this name is missing.",
            "Leave it out; what is missing is asked by its key.",
        )
        for key, because in given.items()
        if because
    ]
    if refused:
        raise refused[0] if len(refused) == 1 else RefusedTogether(refused)
    return left_out


def _why_not_done(missing: Missing) -> Question:
    return Question(
        missing.field,
        "",
        f"{missing.sentence} {'Say where it is.' if missing.answers else 'Say why.'}",
        f"One of: {', '.join(missing.answers)}."
        if missing.answers
        else "Do it first, or say why it is not done.",
        answers={answer: answer for answer in missing.answers},
        facts={"missing": missing.sentence},
    )


def _keep_not_done(
    work: Work, record: RebuildRecord, left_out: Sequence[tuple[Missing, str]]
) -> list[Change]:
    """Each thing that is not done gets its entry: what, why, who, when; a part left over goes."""
    at = max(work.now, record.performed_from)
    changes: list[Change] = []
    for missing, because in left_out:
        subject = missing.sentence
        journal.add_step(
            work, record, StepKind.NOT_DONE, at, deviation=subject, deviation_because=because
        )
        changes.append(("not done", None, f"{subject} Because: {because}"))
        if missing.part_id is not None:
            changes.append(_leave_over(work, missing.part_id, because))
    return changes


def _leave_over(work: Work, part_id: int, because: str) -> Change:
    """A part that was picked is where somebody says it is, and free again."""
    fate, _, words = (text.strip() for text in because.partition(":"))
    row = work.locked(Part, part_id, "part")
    before, row.whereabouts = row.whereabouts, WHERE[Fate(fate)]
    row.reserved_for_stack_id = None
    row.notes = "\n".join(filter(None, (row.notes, words and f"{fate}: {words}")))
    return (f"where {row.serial} is", f"{before}, picked", f"{row.whereabouts} ({fate})")


def _settle_base(work: Work, record: RebuildRecord) -> list[Change]:
    """The build the record began from: opened by it, or untouched by it; or opened by another."""
    if record.base_build_id is None or opened_since(work.session, record):
        return []
    period = work.session.execute(
        select(Build.number, BuildPeriod.closed_at, BuildPeriod.opened_at)
        .join(Build, Build.id == BuildPeriod.build_id)
        .where(BuildPeriod.build_id == record.base_build_id, BuildPeriod.known_until.is_(None))
    ).one()
    is_opened = record.opened_at is not None
    supersede.set_present(work, record.base_build_id, present=False)
    own_build = _own_build(work, record)
    if own_build is not None:
        supersede.set_present(work, own_build.id, present=False)
        if not is_opened:  # an opening handed in the first time was undone since
            _settle_nothing(work, own_build.id)
    if not is_opened:
        supersede.set_present(work, record.base_build_id, present=True)
    supersede.settle_period(
        work,
        record.base_build_id,
        period.closed_at,
        record.opened_at,
        record.id if is_opened else None,
    )
    return [(f"build {period.number} opened at", period.opened_at, record.opened_at)]


def _settle_own(work: Work, record: RebuildRecord, pile: WorkingPile) -> list[Change]:
    """The build the record closed, if it closed one; before a later opening it counts later."""
    build = _own_build(work, record)
    since = opened_since(work.session, record)
    if record.closed_at is None and record.opened_at is not None and since is not None:
        raise Refused(
            "closed_at",
            "",
            f"record {since.record_id} found the stack closed, {in_utc(since.opened_at)}.",
            "Enter when this record closed it, before that.",
        )
    if record.closed_at is None:
        if build is not None:
            _settle_nothing(work, build.id)
        return []
    if build is None:
        build = _next_build(work, record)
    if since is None:
        supersede.settle_period(work, build.id, record.closed_at)
    supersede.settle_layers(
        work,
        build.id,
        [
            supersede.LayerFact(layer.position, layer.part, layer.facing, layer.cell)
            for layer in pile.layers
        ],
        present=since is None,
    )
    supersede.settle_fixings(
        work,
        build.id,
        [
            supersede.FixingFact(fixing.kind, fixing.part, fixing.rod_number, fixing.end)
            for fixing in pile.fixings
        ],
        present=since is None,
    )
    return [
        (f"build {build.number} closed at", None, record.closed_at),
        (f"layers of build {build.number}", None, len(pile.layers)),
    ]


def _settle_nothing(work: Work, build_id: int) -> None:
    supersede.settle_layers(work, build_id, (), present=False)
    supersede.settle_fixings(work, build_id, (), present=False)
    supersede.settle_period(work, build_id, None)


def _own_build(work: Work, record: RebuildRecord) -> Build | None:
    return work.session.scalar(select(Build).where(Build.record_id == record.id))


def _next_build(work: Work, record: RebuildRecord) -> Build:
    last = work.session.scalar(
        select(func.max(Build.number)).where(Build.stack_id == record.stack_id)
    )
    build = Build(stack_id=record.stack_id, number=(last or 0) + 1, record_id=record.id)
    work.session.add(build)
    work.session.flush()
    return build


def _take_fixings_off(work: Work, record: RebuildRecord, pile: WorkingPile) -> None:
    """A stack taken apart to the last layer holds no fixings: each gets its entry."""
    if record.opened_at is None or record.closed_at is not None:
        return
    last = work.session.scalar(
        select(func.max(Step.done_at)).where(Step.record_id == record.id, Step.undone_at.is_(None))
    )
    for fixing in pile.fixings:
        part = work.session.get_one(Part, fixing.part)
        journal.add_step(
            work,
            record,
            StepKind.FIXING_REMOVED,
            last or record.opened_at,
            part_id=part.id,
            rod_number=fixing.rod_number,
            end=fixing.end,
            whereabouts_before=part.whereabouts,
            place_before=part.place,
            note="taken off with the last layer",
        )
        part.whereabouts, part.stack_id, part.place = Whereabouts.LIFTED_OFF, None, ""


def _let_parts_go(work: Work, record: RebuildRecord) -> None:
    """The layers hold the parts from now on, not the entries."""
    work.session.execute(
        update(Step).where(Step.record_id == record.id, Step.standing).values(standing=False)
    )


def _handed_in_at(work: Work, record: RebuildRecord) -> datetime:
    """Now, or the latest entry where another machine's clock was ahead of this one's."""
    latest = [
        work.session.scalar(select(func.max(moment)).where(condition))
        for moment, condition in (
            (Step.written_at, Step.record_id == record.id),
            (Step.undone_at, Step.record_id == record.id),
            (HourReading.known_from, HourReading.record_id == record.id),
            (Attachment.added_at, Attachment.record_id == record.id),
        )
    ]
    return max([work.now, *(at for at in latest if at is not None)])
