"""What rests on an instrument found out of tolerance, or used without calibration; judgements."""

from dataclasses import dataclass

from fastapi import APIRouter, Request, Response
from sqlalchemy import Engine

from service.bench.changes.use_judgements import judge_use
from service.bench.queries.looking_again import RestsOn, rests_on
from service.bench.tables import Rests
from service.people.pages.signatures import signing
from service.people.pages.signing_in import Database, Me
from service.people.queries.signers import remarks_beside
from service.platform.database import changing, now_utc, reading
from service.platform.pages.forms import Asked, Form, Number, Typed, blank
from service.platform.pages.render import go_on, page
from service.platform.permissions import Act, Answer, Person, RecordFacts, may, need
from service.proof.queries.instrument_uses import Assessment, assessment
from service.store.tables import UseDecision

router = APIRouter(prefix="/instruments/{instrument_id}/uses")


@dataclass(frozen=True, slots=True)
class UsesPage:
    """Builds in doubt; ``decides`` says of each whether this person may judge it, or why not.

    ``chosen`` is the build whose form is shown: the first that waits where none is.
    """

    of: Assessment
    decides: tuple[Answer, ...]
    remarks: tuple[str, ...]
    chosen: str
    form: Form
    rests: tuple[RestsOn, ...]
    """judgements that rest on a fact corrected since"""
    decisions: tuple[UseDecision, ...] = tuple(UseDecision)


@router.get("/{calibration_id}")
def show(
    *,
    request: Request,
    me: Me,
    database: Database,
    query: Asked,
    instrument_id: Number,
    calibration_id: int,
) -> Response:
    """Show what rests on a calibration that found the instrument out; 0: on none that held."""
    need(me, Act.READ)
    form = blank(request, build_id=query.raw("build"))
    return _sheet(request, database, me, form, (instrument_id, calibration_id))


@router.post("/{calibration_id}/judge")
def judge(
    *,
    request: Request,
    me: Me,
    database: Database,
    form: Typed,
    instrument_id: Number,
    calibration_id: int,
) -> Response:
    """Sign the judgement of one build."""
    password = form.raw("password")
    with form.collecting_errors():
        decision = form.choice("decision", UseDecision) or UseDecision.HOLD
        reason, build_id = form.text("reason"), form.whole("build_id") or 0
        with signing(request, database, me, password), changing(database, me, key=form.key) as work:
            work.answer = f"/instruments/{instrument_id}/uses/{calibration_id}"
            judge_use(
                work,
                instrument_id,
                calibration_id or None,
                build_id,
                decision=decision,
                reason=reason,
                content_sha256=form.raw("content_sha256"),
                password=password,
            )
        return go_on(request, work.answer)
    return _sheet(request, database, me, form, (instrument_id, calibration_id))


def _sheet(
    request: Request,
    database: Engine,
    me: Person,
    form: Form,
    which: tuple[int, int],
) -> Response:
    instrument_id, calibration_id = which
    with reading(database) as session:
        of = assessment(session, instrument_id, calibration_id or None)
        involved = frozenset().union(*(build.involved for build in of.builds))
        remarks = remarks_beside(session, me.id, involved, now_utc())
        at = f"/instruments/{instrument_id}/uses/{calibration_id}"
        rests = tuple(r for r in rests_on(session, (Rests.JUDGEMENT,)) if r.page == at)
    waiting = str(next((build.build_id for build in of.waiting), ""))
    decides = tuple(
        may(me, Act.USE_JUDGE, RecordFacts(involved=build.involved)) for build in of.builds
    )
    return page(
        request,
        "bench/use_judgements/show.html",
        UsesPage(of, decides, remarks, form.raw("build_id") or waiting, form, rests),
        form.status,
    )
