"""The shelf life of a lot or a part: when its bag was opened, and an extension after inspection."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum

from fastapi import APIRouter, Request, Response
from sqlalchemy import Engine

from service.people.pages.signing_in import Database, Me
from service.platform.arithmetic.fields import Field, by_name
from service.platform.database import changing, reading
from service.platform.pages.forms import Form, Typed, blank
from service.platform.pages.render import go_on, page
from service.platform.permissions import Act, need
from service.store.arithmetic.part_fields import BAG_OPENED, EXTENDED_TO, LOOKED_AT
from service.store.changes.shelf_lives import (
    Bag,
    ExtensionEntry,
    OpenedEntry,
    open_bag,
    propose_extension,
)
from service.store.queries.lots import LotFacts, lot
from service.store.queries.part_lists import PartFacts, part_facts
from service.store.queries.proposals import Proposal, proposals_of
from service.store.tables import ChangeKind

router = APIRouter()


class Of(StrEnum):
    """Whose shelf life it is, as its address says."""

    LOT = "lots"
    PART = "parts"


@dataclass(frozen=True, slots=True)
class ShelfLifePage:
    """How long something may be used, and the forms of an opened bag and of an extension."""

    facts: LotFacts | PartFacts
    address: str
    extensions: tuple[Proposal, ...]
    form: Form
    fields: Mapping[str, Field] = field(
        default_factory=lambda: by_name((BAG_OPENED, EXTENDED_TO, LOOKED_AT))
    )


@router.get("/{of}/{number}/shelf-life")
def show(request: Request, me: Me, database: Database, of: Of, number: int) -> Response:
    """Show the shelf life and both forms."""
    need(me, Act.PART_WRITE)
    return _page(request, database, of, number, blank(request))


@router.post("/{of}/{number}/shelf-life/bag")
def opened(
    *, request: Request, me: Me, database: Database, form: Typed, of: Of, number: int
) -> Response:
    """Note that the bag was opened."""
    need(me, Act.PART_WRITE)
    with form.collecting_errors():
        entry = OpenedEntry(**form.values([BAG_OPENED]))
        why = form.text("reason", required=False, most=1000)
        with changing(database, me, key=form.key) as work:
            work.answer = f"/{of}/{number}"
            open_bag(work, _bag(of, number), entry, reason=why)
        return go_on(request, work.answer)
    return _page(request, database, of, number, form)


@router.post("/{of}/{number}/shelf-life/extension")
def extend(
    *, request: Request, me: Me, database: Database, form: Typed, of: Of, number: int
) -> Response:
    """Propose a longer shelf life after inspection."""
    need(me, Act.LIMITS_WRITE)
    with form.collecting_errors():
        entry = ExtensionEntry(**form.values([EXTENDED_TO, LOOKED_AT]))
        why = form.reason("why")
        with changing(database, me, key=form.key) as work:
            proposal_id = propose_extension(work, _bag(of, number), entry, reason=why)
            work.answer = f"/proposals/{proposal_id}"
        return go_on(request, work.answer)
    return _page(request, database, of, number, form)


def _bag(of: Of, number: int) -> Bag:
    return Bag(lot_id=number) if of is Of.LOT else Bag(part_id=number)


def _page(request: Request, database: Engine, of: Of, number: int, form: Form) -> Response:
    kind = ChangeKind.LOT_SHELF_LIFE if of is Of.LOT else ChangeKind.PART_SHELF_LIFE
    with reading(database) as session:
        facts = lot(session, number).facts if of is Of.LOT else part_facts(session, number)
        extensions = proposals_of(session, kind, number)
    context = ShelfLifePage(facts, f"/{of}/{number}", extensions, form)
    return page(request, "store/shelf_life.html", context, form.status)
