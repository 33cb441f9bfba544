"""What the failing MEAs share that comparable ones do not: on the trace, and on its own."""

from dataclasses import dataclass

from fastapi import APIRouter, Request, Response
from sqlalchemy.orm import Session

from service.life.queries.suspects import SuspectsSheet, suspects_sheet
from service.life.queries.traces import TracedMea, traced_mea
from service.people.pages.signing_in import Database, Me
from service.platform.arithmetic.vocabulary import Kind
from service.platform.database import reading
from service.platform.pages.forms import Asked, Form
from service.platform.pages.render import page
from service.platform.pages.shown_numbers import Number
from service.platform.permissions import Act, need
from service.stacks.changes.build_features import gather_makeups

router = APIRouter(prefix="/parts")


@dataclass(frozen=True, slots=True)
class Comparison:
    """The comparison of one traced MEA; ``sheet`` None: there is nothing to compare, or not asked.

    ``by_rule``: MEAs the rule says are failing count too.
    """

    mea: TracedMea
    by_rule: bool
    sheet: SuspectsSheet | None

    @property
    def is_mea(self) -> bool:
        """Say whether it is an MEA: only those fail by cell voltages."""
        return self.mea.kind is Kind.MEA


@dataclass(frozen=True, slots=True)
class SuspectsPage:
    """The comparison on its own."""

    comparison: Comparison


def comparison(session: Session, part_id: int, query: Form) -> Comparison:
    """Return the comparison a page asks for: of a failing MEA, of another one if it says so."""
    mea = traced_mea(session, part_id)
    by_rule = query.raw("failing") == "rule"
    compares = mea.is_failing or query.yes("compare")
    sheet = None
    if mea.kind is Kind.MEA and mea.design_id is not None and compares:
        sheet = suspects_sheet(session, mea.design_id, part_id, by_rule=by_rule)
    return Comparison(mea, by_rule, sheet)


@router.get("/{part_id}/suspects")
def show(request: Request, me: Me, database: Database, query: Asked, part_id: Number) -> Response:
    """Show what failing MEAs share, beside one of them."""
    need(me, Act.READ)
    gather_makeups(database, part_id)
    with reading(database) as session:
        comparison_found = comparison(session, part_id, query)
    return page(request, "life/traces/suspects.html", SuspectsPage(comparison_found))
