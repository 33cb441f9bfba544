"""A proposed change of stiffness or failing rule: what it changes, and its approval."""

from dataclasses import dataclass

from fastapi import APIRouter, BackgroundTasks, Request, Response
from sqlalchemy import Engine

from service.bench.changes.proposals import approve_proposal
from service.life.changes.failing_rules import judge_rest
from service.people.pages.signatures import signing
from service.people.pages.signing_in import Database, Me
from service.people.queries.signers import remarks_beside
from service.platform.database import changing, now_utc, reading
from service.platform.pages.forms import Form, Typed, blank
from service.platform.pages.render import go_on, page
from service.platform.pages.shown_numbers import Number
from service.platform.permissions import Act, Answer, Person, RecordFacts, may, need
from service.store.queries.proposals import Proposal, proposal
from service.store.tables import ChangeKind

router = APIRouter(prefix="/proposals/{proposal_id}")


@dataclass(frozen=True, slots=True)
class ProposalPage:
    """One proposal; ``decides`` says whether this person may approve it, or why not."""

    proposal: Proposal
    decides: Answer
    remarks: tuple[str, ...]
    form: Form


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
        remarks = remarks_beside(session, me.id, {facts.made_by_id}, now_utc())
    decides = may(me, Act.CHANGE_APPROVE, RecordFacts(written_by=facts.made_by_id))
    context = ProposalPage(facts, decides, remarks, form)
    return page(request, "bench/proposals/show.html", context, form.status)
