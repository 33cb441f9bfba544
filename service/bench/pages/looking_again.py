"""What rests on a fact corrected since: the list, and saying that one looked again."""

from dataclasses import dataclass

from fastapi import APIRouter, Request, Response
from sqlalchemy import Engine

from service.bench.changes.looking_again import look_again
from service.bench.queries.looking_again import RestsOn, rests_on
from service.bench.tables import Rests
from service.people.pages.signing_in import Database, Me
from service.platform.database import changing, reading
from service.platform.pages.forms import Form, Typed, blank
from service.platform.pages.render import go_on, page
from service.platform.permissions import Act, need

router = APIRouter(prefix="/looking-again")


@dataclass(frozen=True, slots=True)
class LookingAgainPage:
    """All that rests on a corrected fact."""

    rests: tuple[RestsOn, ...]
    form: Form


@router.get("")
def show(request: Request, me: Me, database: Database) -> Response:
    """List what rests on a fact corrected since, newest first."""
    need(me, Act.READ)
    return _page(request, database, blank(request))


@router.post("")
def look(request: Request, me: Me, database: Database, form: Typed) -> Response:
    """Say that one looked again at one of them."""
    with form.collecting_errors():
        of, subject_id = form.choice("of", Rests), form.whole("subject_id")
        note = form.text("note", required=False)
        with changing(database, me, key=form.key) as work:
            work.answer = "/looking-again"
            look_again(work, of=of or Rests.RECORD, subject_id=subject_id or 0, note=note)
        return go_on(request, work.answer)
    return _page(request, database, form)


def _page(request: Request, database: Engine, form: Form) -> Response:
    with reading(database) as session:
        rests = rests_on(session)
    return page(
        request, "bench/looking_again/list.html", LookingAgainPage(rests, form), form.status
    )
