"""Failing MEAs: the list with its reasons, and a person's word on one of them."""

from dataclasses import dataclass
from enum import StrEnum

from fastapi import APIRouter, Request, Response
from sqlalchemy import Engine

from service.designs.queries import DesignRow, designs
from service.life.changes.failing_marks import confirm_failing, withdraw_failing
from service.life.queries.failing import (
    Counts,
    FailingRow,
    MarkOfPerson,
    VerdictOfRule,
    confirmed_failing,
    failing_counts,
    judged,
    marks_of,
    verdict_of,
)
from service.life.queries.failing_rules import rules_in_force
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
    """Which MEAs the list shows; without a choice those that need somebody, and the confirmed."""

    MET = "meet the rule, not confirmed"
    CONFIRMED = "confirmed"
    CANNOT_BE_JUDGED = "cannot be judged"
    NOT_MET = "do not meet it"


@dataclass(frozen=True, slots=True)
class Section:
    """One table of the list."""

    which: Which
    table: Shown[FailingRow]


@dataclass(frozen=True, slots=True)
class FailingPage:
    """MEAs that meet the rule and those somebody confirmed, with why."""

    sections: tuple[Section, ...]
    counts: Counts
    designs: tuple[DesignRow, ...]
    ruled: frozenset[int]
    form: Form
    kinds: tuple[Which, ...] = tuple(Which)


@dataclass(frozen=True, slots=True)
class WordPage:
    """The form of a person's word on one MEA; ``standing`` is the word that stands."""

    part: PartFacts
    verdict: VerdictOfRule | None
    marks: tuple[MarkOfPerson, ...]
    standing: MarkOfPerson | None
    is_mea: bool
    form: Form


@router.get("/failing")
def show_list(request: Request, me: Me, database: Database, query: Asked) -> Response:
    """List failing MEAs."""
    need(me, Act.READ)
    which = query.choice("which", Which, required=False)
    design_id = query.whole("design", required=False)
    turn = turn_asked(request, query)
    with reading(database) as session:
        # two tables stand side by side until one of them is asked for: then its pages are turned
        turn = turn if which else Turn(turn.limit)
        sections = []
        for kind in (which,) if which else (Which.MET, Which.CONFIRMED):
            if kind is Which.CONFIRMED:
                mea_list = confirmed_failing(session, turn, design_id=design_id)
            else:
                mea_list = judged(session, _ANSWERS[kind], turn, design_id=design_id)
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
    """Confirm that an MEA is failing."""
    need(me, Act.FAILING_CONFIRM)
    with form.collecting_errors():
        failed_at, reason = form.moment("failed_at"), form.text("reason")
        with changing(database, me, key=form.key) as work:
            confirm_failing(work, part_id, failed_at=failed_at or work.now, reason=reason)
            work.answer = f"/parts/{part_id}/life"
        return go_on(request, work.answer)
    return _word(request, database, form, part_id)


@router.post("/parts/{part_id}/failing/withdraw")
def withdraw(
    request: Request, me: Me, database: Database, form: Typed, part_id: Number
) -> Response:
    """Withdraw the word that an MEA is failing."""
    need(me, Act.FAILING_CONFIRM)
    with form.collecting_errors():
        reason = form.text("reason")
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
    standing = next((mark for mark in marks if mark.withdrawn_at is None), None)
    context = WordPage(part, verdict, marks, standing, part.kind is Kind.MEA, form)
    return page(request, "life/failing/word.html", context, form.status)
