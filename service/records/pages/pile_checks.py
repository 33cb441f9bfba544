"""A record's pile against its design's pattern, and the departures accepted in it."""

from dataclasses import dataclass

from fastapi import APIRouter, Request, Response
from markupsafe import Markup
from sqlalchemy import Engine

from service.bench.changes.bench import accept_departure
from service.designs.arithmetic.grammar_findings import Severity
from service.people.pages.signing_in import Database, Me
from service.platform.database import changing, reading
from service.platform.pages.forms import Asked, Form, Typed, blank
from service.platform.pages.render import go_on, page
from service.platform.permissions import Act, need
from service.records.arithmetic.lab_words import Answers
from service.records.queries.lab_words import reasons_for
from service.records.queries.pile_checks import Judged, PileCheck, pile_check
from service.records.queries.records import RecordHead, record_head
from service.stacks.drawings.pile import draw_pile

router = APIRouter(prefix="/records/{record_id}")


@dataclass(frozen=True, slots=True)
class CheckPage:
    """The findings by what they weigh, the pile with the one pointed at, and the form."""

    head: RecordHead
    check: PileCheck
    blocking: tuple[Judged, ...]
    conceded: tuple[Judged, ...]
    remarks: tuple[Judged, ...]
    drawing: Markup
    at: int | None
    form: Form


@router.get("/check")
def show(request: Request, me: Me, database: Database, query: Asked, record_id: int) -> Response:
    """Show what the check of a record's pile finds."""
    need(me, Act.READ)
    at = query.whole("at", least=1, required=False)
    return _page(request, database, record_id, blank(request), at)


@router.post("/departures")
def accept(request: Request, me: Me, database: Database, form: Typed, record_id: int) -> Response:
    """Accept a finding that needs a concession, with the reason."""
    need(me, Act.CONCESSION_GIVE)
    with form.collecting_errors():
        reason, departs_from = form.reason("reason"), form.raw("departs_from")
        with changing(database, me, key=form.key) as work:
            work.answer = f"/records/{record_id}/check"
            accept_departure(
                work, record_id, form.version(), departs_from=departs_from, reason=reason
            )
        return go_on(request, work.answer)
    return _page(request, database, record_id, form, None)


def _page(
    request: Request, database: Engine, record_id: int, form: Form, at: int | None
) -> Response:
    with reading(database) as session:
        head = record_head(session, record_id)
        check = pile_check(session, record_id)
        form.presets = reasons_for(session, Answers.DEPARTURE)
    drawing = ""
    if check.layers:
        drawing = draw_pile(
            check.layers,
            title=f"Pile of {head.stack}, record {head.id}",
            link=lambda layer: f"/parts/{layer.part}",
            marked=at if at and at <= len(check.layers) else None,
            has_detail=False,
        )
    context = CheckPage(
        head,
        check,
        check.of(Severity.BLOCKS),
        check.of(Severity.CONCESSION),
        check.of(Severity.REMARK),
        Markup(drawing),  # noqa: S704 - our own drawing
        at,
        form,
    )
    return page(request, "records/pile_checks/show.html", context, form.status)
