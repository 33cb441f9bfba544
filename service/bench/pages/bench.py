"""The bench: a record written entry by entry, one thing at a time.

Every entry is a form of its own. Without script it is answered by the page it goes on at (303);
htmx gets the bench alone. A form shown before somebody else's entry comes back filled (409).
"""

from fastapi import APIRouter, Request, Response

from service.bench.changes import bench
from service.bench.changes.handing_in import hand_in
from service.bench.pages import stack_tests, tightening
from service.bench.pages.entering import (
    UNDONE,
    Entering,
    chosen,
    findings,
    numbers,
    sure,
    taken_photos,
)
from service.bench.pages.places import Place
from service.bench.pages.sheets import bench_page
from service.people.pages.signing_in import Database, Me
from service.physics.arithmetic.conditions import STANDING_ALONE
from service.platform.arithmetic.vocabulary import End, Facing
from service.platform.database import Work, changing, reading
from service.platform.pages.forms import Typed
from service.platform.pages.render import go_on, page, part, wants_part
from service.platform.permissions import Act, need
from service.records.changes.attachments import add_attachments
from service.records.queries.participants import record_head

router = APIRouter(prefix="/records/{record_id}")
router.include_router(tightening.router)
router.include_router(stack_tests.router)


@router.get("/bench")
def show(request: Request, me: Me, database: Database, record_id: int) -> Response:
    """Show the bench of a record being written; of any other, the record."""
    need(me, Act.RECORD_WRITE)
    with reading(database) as session:
        if not record_head(session, record_id).is_being_written:
            return go_on(request, f"/records/{record_id}")
        shown = bench_page(request, session, me, record_id, asked=request.query_params)
    if wants_part(request):
        return part(request, "bench/_bench.html", shown)
    return page(request, "bench/show.html", shown)


@router.post("/make-safe")
def make_safe(
    request: Request, me: Me, database: Database, form: Typed, record_id: int
) -> Response:
    """Record one line of the make-safe checklist."""
    at = Entering(request, me, database, form, record_id, Place.MAKE_SAFE)
    with form.keeping():
        line_number = form.whole("line_number", most=10_000)
        measured = form.number("reading", required=False)
        instrument_id = form.whole("instrument_id", required=False)
        person_id = form.whole("person_id", required=False)
        witness_id = form.whole("witness_id", required=False)
        note, done_at = form.text("note", required=False), form.moment("done_at", required=False)
        return at.enter(
            lambda work, version: bench.record_make_safe(
                work,
                record_id,
                version,
                line_number=sure(line_number),
                reading=measured,
                instrument_id=instrument_id,
                person_id=person_id,
                witness_id=witness_id,
                done_at=done_at,
                note=note,
            )
        )
    return at.again()


@router.post("/exception")
def exception(
    request: Request, me: Me, database: Database, form: Typed, record_id: int
) -> Response:
    """Record an exception to the checklist, by name and reason."""
    at = Entering(request, me, database, form, record_id, Place.EXCEPTION)
    with form.keeping():
        reason, done_at = form.text("reason"), form.moment("done_at", required=False)
        return at.enter(
            lambda work, version: bench.record_exception(
                work, record_id, version, reason=reason, done_at=done_at
            ),
            at=Place.OPENING,
        )
    return at.again()


@router.post("/open")
def open_stack(
    request: Request, me: Me, database: Database, form: Typed, record_id: int
) -> Response:
    """Record the opening, with the hours or why they are not known."""
    at = Entering(request, me, database, form, record_id, Place.OPENING)
    with form.keeping():
        hours = form.number("hours", least=0, unit="h", required=False)
        why = form.text("hours_unknown_because", required=False)
        opened_at = form.moment("opened_at", required=False)
        return at.enter(
            lambda work, version: bench.open_stack(
                work,
                record_id,
                version,
                opened_at=opened_at,
                hours=hours,
                hours_unknown_because=why,
            ),
            at=Place.LIFTING,
        )
    return at.again()


@router.post("/lift")
def lift(request: Request, me: Me, database: Database, form: Typed, record_id: int) -> Response:
    """Lift the outermost layer off an end, with what was seen on it and photos of it."""
    at = Entering(request, me, database, form, record_id, Place.LIFTING)
    with form.keeping():
        end, part_id = form.choice("end", End), form.whole("part_id")
        seen = findings(form)
        scanned, note = form.text("scanned", required=False), form.text("note", required=False)
        done_at = form.moment("done_at", required=False)
        taken = taken_photos(request, form)

        def change(work: Work, version: int) -> None:
            bench.lift_off(
                work,
                record_id,
                version,
                end=sure(end),
                part_id=part_id,
                findings=seen,
                scanned=scanned,
                note=note,
                done_at=done_at,
            )
            if taken:
                add_attachments(work, taken, record_id=record_id, part_id=part_id)

        return at.enter(change, at=Place.LIFTING, end=form.kept("end"))
    return at.again()


@router.post("/lift-several")
def lift_several(
    request: Request, me: Me, database: Database, form: Typed, record_id: int
) -> Response:
    """Lift off everything down to one layer."""
    at = Entering(request, me, database, form, record_id, Place.SEVERAL)
    with form.keeping():
        end, part_id = form.choice("end", End), form.whole("part_id")
        condition = form.one_of("condition", STANDING_ALONE)
        note, done_at = form.text("note", required=False), form.moment("done_at", required=False)
        return at.enter(
            lambda work, version: bench.lift_off_down_to(
                work,
                record_id,
                version,
                end=sure(end),
                part_id=sure(part_id),
                condition=condition,
                note=note,
                done_at=done_at,
            ),
            at=Place.LIFTING,
            end=form.kept("end"),
        )
    return at.again()


@router.post("/finding")
def finding(request: Request, me: Me, database: Database, form: Typed, record_id: int) -> Response:
    """Note what was seen on a part."""
    at = Entering(request, me, database, form, record_id, Place.FINDING)
    with form.keeping():
        part_id, seen = form.whole("part_id"), findings(form)
        note, done_at = form.text("note", required=False), form.moment("done_at", required=False)
        return at.enter(
            lambda work, version: bench.note_finding(
                work,
                record_id,
                version,
                part_id=sure(part_id),
                findings=seen,
                note=note,
                done_at=done_at,
            ),
            at=Place.FINDING,
        )
    return at.again()


@router.post("/put-on")
def put_on(request: Request, me: Me, database: Database, form: Typed, record_id: int) -> Response:
    """Put a layer on at an end."""
    at = Entering(request, me, database, form, record_id, Place.PUTTING_ON)
    with form.keeping():
        end, facing = form.choice("end", End), form.choice("facing", Facing, required=False)
        lot_id, part_id = chosen(form)
        why = form.text("departs_because", required=False, most=2000)
        # what is pressed comes after what was scanned: a refused code may still stand in the field
        scanned = form.text("scanned", required=False) if lot_id is None else ""
        note = form.text("note", required=False)
        done_at = form.moment("done_at", required=False)
        return at.enter(
            lambda work, version: bench.put_on(
                work,
                record_id,
                version,
                end=sure(end),
                scanned=scanned,
                lot_id=lot_id,
                part_id=part_id,
                facing=facing,
                by_pattern=True,
                departs_because=why,
                note=note,
                done_at=done_at,
            ),
            at=Place.PUTTING_ON,
            end=form.kept("end"),
        )
    return at.again()


@router.post("/fit-fixing")
def fit_fixing(
    request: Request, me: Me, database: Database, form: Typed, record_id: int
) -> Response:
    """Fit one fixing at a rod or an end."""
    at = Entering(request, me, database, form, record_id, Place.FIXINGS)
    with form.keeping():
        place = form.text("place")
        end = End(place) if place in tuple(End) else None
        rod_number = int(place) if end is None and place.isdecimal() and len(place) < 7 else None
        lot_id, part_id = chosen(form)
        scanned, note = form.text("scanned", required=False), form.text("note", required=False)
        done_at = form.moment("done_at", required=False)
        return at.enter(
            lambda work, version: bench.fit_fixing(
                work,
                record_id,
                version,
                rod_number=rod_number,
                end=end,
                scanned=scanned,
                lot_id=lot_id,
                part_id=part_id,
                note=note,
                done_at=done_at,
            ),
            at=Place.FIXINGS,
        )
    return at.again()


@router.post("/fit-from-lot")
def fit_from_lot(
    request: Request, me: Me, database: Database, form: Typed, record_id: int
) -> Response:
    """Fit counted items of one lot at several rods."""
    at = Entering(request, me, database, form, record_id, Place.FROM_LOT)
    with form.keeping():
        lot_id, each = form.whole("lot_id"), form.whole("each", least=1)
        rods = numbers(form, "rod_numbers")
        note, done_at = form.text("note", required=False), form.moment("done_at", required=False)
        return at.enter(
            lambda work, version: bench.fit_from_lot(
                work,
                record_id,
                version,
                lot_id=sure(lot_id),
                rod_numbers=rods,
                each=sure(each),
                note=note,
                done_at=done_at,
            ),
            at=Place.FROM_LOT,
        )
    return at.again()


@router.post("/remove-fixings")
def remove_fixings(
    request: Request, me: Me, database: Database, form: Typed, record_id: int
) -> Response:
    """Take fixings off for good."""
    at = Entering(request, me, database, form, record_id, Place.OFF)
    with form.keeping():
        parts = numbers(form, "part_ids")
        note, done_at = form.text("note", required=False), form.moment("done_at", required=False)
        return at.enter(
            lambda work, version: bench.remove_fixings(
                work, record_id, version, part_ids=parts, note=note, done_at=done_at
            ),
            at=Place.OFF,
        )
    return at.again()


@router.post("/undo")
def undo(request: Request, me: Me, database: Database, form: Typed, record_id: int) -> Response:
    """Undo the last entry that stands."""
    then = form.kept("at")
    at = Entering(request, me, database, form, record_id, then, is_shown=False)
    with form.keeping():
        return at.enter(
            lambda work, version: bench.undo_last(work, record_id, version),
            at=then,
            end=form.kept("end"),
            made=UNDONE,
        )
    return at.again()


@router.post("/hand-in")
def hand_in_record(
    request: Request, me: Me, database: Database, form: Typed, record_id: int
) -> Response:
    """Hand the record in: its content is frozen."""
    at = Entering(request, me, database, form, record_id, Place.HANDING_IN)
    with form.keeping():
        with changing(database, me, key=form.key) as work:
            work.answer = f"/records/{record_id}"
            hand_in(work, record_id, form.version())
        return go_on(request, work.answer)
    return at.again()
