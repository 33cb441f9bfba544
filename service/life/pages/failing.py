"""MEAs that failed, are suspected or at their end: the list, and a person's word on one of them."""

from dataclasses import dataclass
from enum import StrEnum

from fastapi import APIRouter, Request, Response
from sqlalchemy import Engine

from service.designs.queries import DesignRow, designs
from service.life.arithmetic.grounds import MeaWord
from service.life.changes.failing_marks import confirm_failing, withdraw_failing
from service.life.queries.failing import (
    Counts,
    FailingRow,
    MarkOfPerson,
    VerdictOfRule,
    failing_counts,
    judged,
    marks_of,
    said_of_meas,
    verdict_of,
)
from service.life.queries.failing_rules import rules_in_force
from service.life.queries.grounds import GroundSeen, grounds_offered
from service.life.tables import RuleAnswer
from service.people.pages.signing_in import Database, Me
from service.platform.arithmetic.vocabulary import Kind
from service.platform.database import changing, now_utc, reading
from service.platform.pages.forms import Asked, Form, Number, Typed, blank
from service.platform.pages.lists import Shown, shown, turn_asked
from service.platform.pages.render import go_on, page
from service.platform.permissions import Act, need
from service.platform.queries.lists import Turn
from service.store.queries.part_lists import PartFacts, part_facts

router = APIRouter()


class Which(StrEnum):
    """Which MEAs the list shows; without a choice those that need somebody, and people's words."""

    MET = "meet the rule, not confirmed"
    FAILED = "failed"
    SUSPECTED = "suspected"
    END_OF_LIFE = "end of life"
    CANNOT_BE_JUDGED = "cannot be judged"
    NOT_MET = "do not meet it"


@dataclass(frozen=True, slots=True)
class Section:
    """One table of the list."""

    which: Which
    table: Shown[FailingRow]


@dataclass(frozen=True, slots=True)
class FailingPage:
    """MEAs that meet the rule, and those people gave a word on, with why."""

    sections: tuple[Section, ...]
    counts: Counts
    designs: tuple[DesignRow, ...]
    ruled: frozenset[int]
    form: Form
    kinds: tuple[Which, ...] = tuple(Which)


@dataclass(frozen=True, slots=True)
class WordPage:
    """The form of a person's word on one MEA; ``standing`` is the word that stands.

    ``grounds`` are those its word may rest on.
    """

    part: PartFacts
    verdict: VerdictOfRule | None
    marks: tuple[MarkOfPerson, ...]
    standing: MarkOfPerson | None
    is_mea: bool
    grounds: tuple[GroundSeen, ...]
    form: Form
    words: tuple[MeaWord, ...] = tuple(MeaWord)


@router.get("/failing")
def show_list(request: Request, me: Me, database: Database, query: Asked) -> Response:
    """List failing MEAs."""
    need(me, Act.READ)
    which = query.choice("which", Which, required=False)
    design_id = query.whole("design", required=False)
    turn = turn_asked(request, query)
    with reading(database) as session:
        # tables stand side by side until one of them is asked for: then its pages are turned
        turn = turn if which else Turn(turn.limit)
        sections = []
        for kind in (which,) if which else tuple(Which)[:4]:
            if kind in _ANSWERS:
                mea_list = judged(session, _ANSWERS[kind], turn, design_id=design_id)
            else:
                mea_list = said_of_meas(session, MeaWord(kind), turn, design_id=design_id)
            sections.append(Section(kind, shown(request, mea_list, which=kind.value)))
        context = FailingPage(
            tuple(sections),
            failing_counts(session, design_id),
            designs(session),
            frozenset(rules_in_force(session)),
            query,
        )
    return page(request, "life/failing/list.html", context, query.status)


@router.get("/parts/{part_id}/failing")
def show_word(request: Request, me: Me, database: Database, part_id: Number) -> Response:
    """Show the form of a person's word on one MEA."""
    need(me, Act.FAILING_CONFIRM)
    return _word(request, database, blank(request, failed_at=now_utc()), part_id)


@router.post("/parts/{part_id}/failing")
def confirm(request: Request, me: Me, database: Database, form: Typed, part_id: Number) -> Response:
    """Say that an MEA failed, is suspected or at the end of its life."""
    need(me, Act.FAILING_CONFIRM)
    with form.collecting_errors():
        failed_at, reason = form.moment("failed_at"), form.text("reason")
        says, grounds = form.choice("says", MeaWord), form.raw_all("grounds")
        with changing(database, me, key=form.key) as work:
            confirm_failing(
                work,
                part_id,
                failed_at=failed_at or work.now,
                reason=reason,
                grounds=grounds,
                says=says or MeaWord.FAILED,
            )
            work.answer = f"/parts/{part_id}/life"
        return go_on(request, work.answer)
    return _word(request, database, form, part_id)


@router.post("/parts/{part_id}/failing/withdraw")
def withdraw(
    request: Request, me: Me, database: Database, form: Typed, part_id: Number
) -> Response:
    """Withdraw the word on an MEA."""
    need(me, Act.FAILING_CONFIRM)
    with form.collecting_errors():
        reason = form.text("withdrawal")
        with changing(database, me, key=form.key) as work:
            withdraw_failing(work, part_id, reason=reason)
            work.answer = f"/parts/{part_id}/life"
        return go_on(request, work.answer)
    return _word(request, database, form, part_id)


_ANSWERS = {
    Which.MET: RuleAnswer.MET,
    Which.CANNOT_BE_JUDGED: RuleAnswer.CANNOT_BE_JUDGED,
    Which.NOT_MET: RuleAnswer.NOT_MET,
}


def _word(request: Request, database: Engine, form: Form, part_id: int) -> Response:
    with reading(database) as session:
        part = part_facts(session, part_id)
        marks = marks_of(session, part_id)
        verdict = verdict_of(session, part_id)
        grounds = grounds_offered(session, part_id)
    if request.method == "GET" and verdict is not None and verdict.answer is RuleAnswer.MET:
        form.typed["grounds"] = tuple(x.ground for x in verdict.telling if x.ground)
    standing = next((mark for mark in marks if mark.withdrawn_at is None), None)
    context = WordPage(part, verdict, marks, standing, part.kind is Kind.MEA, grounds, form)
    return page(request, "life/failing/word.html", context, form.status)
