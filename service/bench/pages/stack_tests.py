"""Tests of the closed stack entered at the bench: leaks, insulation, shorts."""

from collections.abc import Callable
from typing import Any

from fastapi import APIRouter, Request, Response

from service.bench.changes import bench
from service.bench.pages.entering import Entering, sure
from service.bench.pages.places import Place
from service.people.pages.signing_in import Database, Me
from service.platform.pages.forms import Form, Typed

router = APIRouter()
MOST_SIGNS = 8000
NO_TEXTS = frozenset({"version", "note", "done_at", "instrument_id", "thermometer_id", "meter_id"})


@router.post("/leak-test")
def leak_test(
    request: Request, me: Me, database: Database, form: Typed, record_id: int
) -> Response:
    """Record one test of tightness."""

    def read() -> dict[str, Any]:
        return {
            "thermometer_id": form.whole("thermometer_id"),
            "meter_id": form.whole("meter_id", required=False),
        }

    at = Entering(request, me, database, form, record_id, Place.TESTS)
    return _enter(at, bench.record_leak_test, read)


@router.post("/insulation-test")
def insulation_test(
    request: Request, me: Me, database: Database, form: Typed, record_id: int
) -> Response:
    """Record one test of insulation."""
    at = Entering(request, me, database, form, record_id, Place.TESTS)
    return _enter(at, bench.record_insulation_test, dict)


@router.post("/short-check")
def short_check(
    request: Request, me: Me, database: Database, form: Typed, record_id: int
) -> Response:
    """Record one check of the cells for shorts: a field a cell, or one pasted list."""
    at = Entering(request, me, database, form, record_id, Place.TESTS)
    return _enter(at, bench.record_short_check, lambda: {"values": cell_values(form)})


def _enter(
    at: Entering, record: Callable[..., int], read: Callable[[], dict[str, Any]]
) -> Response:
    """Enter a test; ``read`` gives what its form has beyond the other tests'."""
    form = at.form
    with form.keeping():
        tool, more = form.whole("instrument_id"), read()
        note, done_at = form.text("note", required=False), form.moment("done_at", required=False)
        typed = texts(form)
        return at.enter(
            lambda work, version: record(
                work,
                at.record_id,
                version,
                typed=typed,
                instrument_id=sure(tool),
                note=note,
                done_at=done_at,
                **more,
            ),
            at=Place.TESTS,
            test=form.kept("test"),
        )
    return at.again()


def texts(form: Form) -> dict[str, str]:
    """What was typed, field by field, as the trade reads it."""
    return {name: form.kept(name)[:MOST_SIGNS] for name in form.typed if name not in NO_TEXTS}


def cell_values(form: Form) -> list[str]:
    """One value a cell: the pasted list where there is one, else the fields of the cells."""
    pasted = form.text("values", required=False, most=MOST_SIGNS)
    return [pasted] if pasted else list(form.kept_all("cell"))
