"""A proposed stiffness, failing rule, pattern or list: what it changes, and its approval."""

import json
from collections.abc import Sequence
from dataclasses import dataclass

from fastapi import APIRouter, BackgroundTasks, Request, Response
from sqlalchemy import Engine

from service.bench.changes.proposals import approve_proposal
from service.bench.queries.calibration_follows import CalibrationFollows, follows
from service.designs.arithmetic.pattern_toml import pattern_differences, read_pattern, write_pattern
from service.designs.arithmetic.pattern_types import KnownType
from service.designs.pages.patterns import USUALLY_SHOWN, AsDesignedPile, as_designed
from service.designs.queries import known_types, pattern_proposed
from service.life.changes.failing_rules import judge_rest
from service.people.pages.signatures import signing
from service.people.pages.signing_in import Database, Me
from service.people.queries.signers import remarks_beside
from service.platform.database import changing, now_utc, reading
from service.platform.pages.forms import Form, Number, Typed, blank
from service.platform.pages.render import go_on, page
from service.platform.permissions import Act, Answer, Person, RecordFacts, may, need
from service.store.changes.calibrations import calibration_proposed
from service.store.queries.proposals import Proposal, proposal
from service.store.tables import ChangeKind

router = APIRouter(prefix="/proposals/{proposal_id}")


@dataclass(frozen=True, slots=True)
class ProposedPattern:
    """A proposed pattern drawn, as a text, and against the one kept when it was proposed."""

    designed: AsDesignedPile
    toml: str
    differences: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class ProposalPage:
    """One proposal; ``decides`` says whether this person may approve it, or why not."""

    proposal: Proposal
    pattern: ProposedPattern | None
    decides: Answer
    remarks: tuple[str, ...]
    form: Form
    follows: tuple[CalibrationFollows, ...] = ()
    """of a calibration, while it waits: what changes with it"""


@router.get("")
def show(request: Request, me: Me, database: Database, proposal_id: Number) -> Response:
    """Show a proposal."""
    need(me, Act.READ)
    return _sheet(request, database, me, blank(request), proposal_id)


@router.post("/approve")
def approve(
    *,
    request: Request,
    me: Me,
    database: Database,
    form: Typed,
    after: BackgroundTasks,
    proposal_id: Number,
) -> Response:
    """Put what was proposed in force; stacks beyond the first are judged after the answer."""
    password = form.raw("password")
    with form.collecting_errors():
        with signing(request, database, me, password), changing(database, me, key=form.key) as work:
            work.answer = f"/proposals/{proposal_id}"
            about = approve_proposal(
                work, proposal_id, content_sha256=form.raw("content_sha256"), password=password
            )
        with reading(database) as session:
            if proposal(session, proposal_id).kind is ChangeKind.FAILING_RULE:
                after.add_task(judge_rest, database, about)
        return go_on(request, work.answer)
    return _sheet(request, database, me, form, proposal_id)


def _sheet(
    request: Request, database: Engine, me: Person, form: Form, proposal_id: int
) -> Response:
    with reading(database) as session:
        facts = proposal(session, proposal_id)
        remarks = remarks_beside(session, me.id, {facts.made_by_id or 0}, now_utc())
        types = known_types(session) if facts.kind is ChangeKind.PATTERN else ()
        following: tuple[CalibrationFollows, ...] = ()
        if facts.kind is ChangeKind.CALIBRATION and facts.waits and facts.holds:
            right = calibration_proposed(json.loads(facts.content))
            following = follows(session, facts.subject_id, right)
    decides = may(me, Act.CHANGE_APPROVE, RecordFacts(written_by=facts.made_by_id or 0))
    context = ProposalPage(facts, _pattern(facts, types), decides, remarks, form, following)
    return page(request, "bench/proposals/show.html", context, form.status)


def _pattern(facts: Proposal, types: Sequence[KnownType]) -> ProposedPattern | None:
    if facts.kind is not ChangeKind.PATTERN or not facts.holds:
        return None
    pattern = pattern_proposed(json.loads(facts.content)).pattern
    cells = min(max(USUALLY_SHOWN, pattern.least_cells), pattern.most_cells)
    differences: list[str] = []
    for name, before, _then in facts.changes:
        if name == "pattern" and before:
            differences += pattern_differences(read_pattern(before), pattern)
        elif name == "pattern":
            differences.append("none before; then as drawn here")
    return ProposedPattern(
        as_designed(pattern, cells, types, title=f"Pile of {facts.subject_label} as proposed"),
        write_pattern(pattern),
        tuple(differences),
    )
