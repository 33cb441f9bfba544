"""Leave to do without a witness: the form with which quality gives it."""

from dataclasses import dataclass

from fastapi import APIRouter, Request, Response
from sqlalchemy import Engine

from service.people.pages.signing_in import Database, Me
from service.platform.database import changing, reading
from service.platform.pages.forms import Form, Typed, blank
from service.platform.pages.render import go_on, page
from service.platform.permissions import Act, Answer, Person, RecordFacts, may, need
from service.records.changes.waivers import waive_witness
from service.records.queries.records import RecordHead, people_on, record_head
from service.records.tables import WaiverWhy

router = APIRouter(prefix="/records/{record_id}/waiver")


@dataclass(frozen=True, slots=True)
class WaiverPage:
    """The form; ``gives`` says whether this person may, or why not."""

    head: RecordHead
    form: Form
    gives: Answer
    reasons: tuple[WaiverWhy, ...] = tuple(WaiverWhy)


@router.get("")
def show(request: Request, me: Me, database: Database, record_id: int) -> Response:
    """Show the form."""
    need(me, Act.READ)
    return _page(request, database, me, record_id, blank(request))


@router.post("")
def give(request: Request, me: Me, database: Database, form: Typed, record_id: int) -> Response:
    """Give leave to do without a witness."""
    need(me, Act.WITNESS_WAIVE)
    with form.collecting_errors():
        why = form.choice("why", WaiverWhy) or WaiverWhy.OTHER
        reason = form.text("reason", most=1000)
        until = form.moment("until", required=False)
        with changing(database, me, key=form.key) as work:
            work.answer = f"/records/{record_id}"
            waive_witness(work, record_id, why=why, reason=reason, until=until)
        return go_on(request, work.answer)
    return _page(request, database, me, record_id, form)


def _page(request: Request, database: Engine, me: Person, record_id: int, form: Form) -> Response:
    with reading(database) as session:
        head = record_head(session, record_id)
        involved = people_on(session, [record_id])[record_id]
    gives = may(me, Act.WITNESS_WAIVE, RecordFacts(involved=involved))
    return page(request, "records/waiver.html", WaiverPage(head, form, gives), form.status)
