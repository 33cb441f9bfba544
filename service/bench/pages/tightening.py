"""The bench, last part: torque read nut by nut, the closing and its checks."""

from fastapi import APIRouter, Request, Response

from service.bench.changes import bench
from service.bench.pages.entering import Entering, sure
from service.bench.pages.places import Place
from service.closing.arithmetic.closing_checks import ClosingCheck
from service.people.pages.signing_in import Database, Me
from service.platform.arithmetic.vocabulary import ReadingKind, Stage
from service.platform.pages.forms import Typed

router = APIRouter()


@router.post("/torque")
def torque(request: Request, me: Me, database: Database, form: Typed, record_id: int) -> Response:
    """Enter one torque reading."""
    at = Entering(request, me, database, form, record_id, Place.TORQUE)
    with form.keeping():
        stage, kind = form.choice("stage", Stage), form.choice("kind", ReadingKind)
        rod, number = form.whole("rod_number", least=1), form.whole("pass_number", least=1)
        instrument_id, entered = form.whole("instrument_id"), form.text("entered", most=60)
        taken_at = form.moment("taken_at", required=False)
        why = form.text("outside_because", required=False)
        return at.enter(
            lambda work, version: bench.read_torque(
                work,
                record_id,
                version,
                rod_number=sure(rod),
                pass_number=sure(number),
                stage=sure(stage),
                kind=sure(kind),
                entered=entered,
                instrument_id=sure(instrument_id),
                note=why,
                taken_at=taken_at,
            ),
            at=Place.TORQUE,
            stage=form.kept("stage"),
        )
    return at.again()


@router.post("/closing-check")
def closing_check(
    request: Request, me: Me, database: Database, form: Typed, record_id: int
) -> Response:
    """Record one check of the closing."""
    at = Entering(request, me, database, form, record_id, Place.CHECKS)
    with form.keeping():
        check = form.choice("check", ClosingCheck)
        rod = form.whole("rod_number", least=1, required=False)
        measured = form.number("reading_mm", least=0, unit="mm", required=False)
        instrument_id = form.whole("instrument_id", required=False)
        note, done_at = form.text("note", required=False), form.moment("done_at", required=False)
        return at.enter(
            lambda work, version: bench.record_closing_check(
                work,
                record_id,
                version,
                check=sure(check),
                rod_number=rod,
                reading_mm=measured,
                instrument_id=instrument_id,
                note=note,
                done_at=done_at,
            ),
            at=Place.CHECKS,
        )
    return at.again()


@router.post("/close")
def close(request: Request, me: Me, database: Database, form: Typed, record_id: int) -> Response:
    """Record the closing."""
    at = Entering(request, me, database, form, record_id, Place.CLOSING)
    with form.keeping():
        hours = form.number("hours", least=0, unit="h", required=False)
        closed_at = form.moment("closed_at", required=False)
        note = form.text("note", required=False)
        return at.enter(
            lambda work, version: bench.close_stack(
                work, record_id, version, closed_at=closed_at, hours=hours, note=note
            ),
            at=Place.HANDING_IN,
        )
    return at.again()
