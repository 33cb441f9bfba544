"""Findings by place: where on parts of a kind a condition was seen, counted square by square."""

from dataclasses import dataclass

from fastapi import APIRouter, Request, Response

from service.life.queries.life_rows import Choice, designs_with_stacks
from service.life.queries.places import (
    FindingFilter,
    FindingsByPlace,
    findings_by_place,
    suppliers_of,
)
from service.people.pages.signing_in import Database, Me
from service.physics.arithmetic.conditions import COLUMNS, ROWS, faces_of
from service.platform.arithmetic.vocabulary import Kind
from service.platform.database import reading
from service.platform.pages.forms import Asked, Form
from service.platform.pages.render import page
from service.platform.permissions import Act, need

router = APIRouter()


@dataclass(frozen=True, slots=True)
class PlacesPage:
    """Parts counted by what was seen on them and where."""

    form: Form
    kind: Kind
    counted: FindingsByPlace
    designs: tuple[Choice, ...]
    suppliers: tuple[str, ...]
    kinds: tuple[Kind, ...] = tuple(kind for kind in Kind if faces_of(kind))
    columns: str = COLUMNS
    rows: str = ROWS


@router.get("/failing/findings")
def show(request: Request, me: Me, database: Database, query: Asked) -> Response:
    """Show on how many parts a condition was seen, square by square."""
    need(me, Act.READ)
    asked = FindingFilter(
        kind=query.choice("kind", Kind, required=False) or Kind.MEA,
        design_id=query.whole("design", required=False),
        supplier=query.text("supplier", required=False, most=200),
        lot=query.text("lot", required=False, most=200),
    )
    with reading(database) as session:
        counted = None
        with query.collecting_errors():
            counted = findings_by_place(session, asked, query.raw("word"))
        if counted and counted.chosen:
            query.typed["word"] = (counted.chosen.code,)
        context = PlacesPage(
            query,
            asked.kind,
            counted or findings_by_place(session, asked),
            designs_with_stacks(session),
            suppliers_of(session, asked.kind),
        )
    return page(request, "life/failing/places.html", context, query.status)
