"""What parts of a type give under load: a form by kind, with the curve drawn beside."""

from collections.abc import Mapping
from dataclasses import dataclass

from fastapi import APIRouter, Request, Response
from markupsafe import Markup
from sqlalchemy import Engine

from service.condition.drawings.curves import draw_curve
from service.limits.arithmetic.figures_differences import FigureRow, shown
from service.limits.arithmetic.figures_fields import help_of
from service.people.pages.signing_in import Database, Me
from service.physics.arithmetic.part_stiffness import Bed, PartStiffness, Seal
from service.platform.arithmetic.curve_text import CurveOf
from service.platform.arithmetic.errors import TradeError
from service.platform.arithmetic.fields import Field
from service.platform.arithmetic.vocabulary import Kind
from service.platform.database import changing, reading
from service.platform.errors import NotFound
from service.platform.pages.described_fields import refuse_alone, refuse_in
from service.platform.pages.forms import Form, Number, Typed, blank
from service.platform.pages.render import go_on, page
from service.platform.permissions import Act, need
from service.store.arithmetic.stiffness_form import FIELDS, stiffness_from_form, stiffness_to_form
from service.store.changes.part_types import propose_stiffness
from service.store.queries.part_types import PartTypeFacts, part_type

router = APIRouter(prefix="/part-types/{part_type_id}")


@dataclass(frozen=True, slots=True)
class Given:
    """What is kept of a type's stiffness, as rows; its curve drawn where it has one."""

    rows: tuple[FigureRow, ...]
    curve: Markup


@dataclass(frozen=True, slots=True)
class StiffnessPage:
    """The form of a part type's stiffness, and what is kept now."""

    type: PartTypeFacts
    form: Form
    fields: tuple[Field, ...]
    help: Mapping[str, str]
    kept: Given | None


@router.get("/stiffness")
def show(request: Request, me: Me, database: Database, part_type_id: Number) -> Response:
    """Show the form, filled in with what is kept."""
    need(me, Act.LIMITS_WRITE)
    facts = _facts(database, part_type_id)
    form = blank(request, reason="", **stiffness_to_form(facts.gives))
    return _page(request, facts, form)


@router.post("/stiffness")
def keep(
    request: Request, me: Me, database: Database, form: Typed, part_type_id: Number
) -> Response:
    """Propose what was typed; nothing typed means that it is not known."""
    need(me, Act.LIMITS_WRITE)
    facts = _facts(database, part_type_id)
    with form.collecting_errors():
        reason, stiffness = form.text("reason"), _read(form, facts.kind)
        with changing(database, me, key=form.key) as work:
            key = propose_stiffness(work, part_type_id, stiffness, reason=reason)
            work.answer = f"/proposals/{key}"
        return go_on(request, work.answer)
    return _page(request, facts, form)


def given_of(facts: PartTypeFacts) -> Given | None:
    """Return what a part type gives, to be shown; None where nobody said so."""
    stiffness = facts.gives
    if stiffness is None:
        return None
    texts = stiffness_to_form(stiffness)
    fields = FIELDS[facts.kind]
    rows = [FigureRow(field, shown(field, texts.get(field.name, ""))) for field in fields]
    return Given(tuple(row for row in rows if row.shown), _curve(stiffness, facts.name))


def _curve(stiffness: PartStiffness, name: str) -> Markup:
    if not isinstance(stiffness, Bed | Seal):
        return Markup("")
    of = CurveOf.STRESS if isinstance(stiffness, Bed) else CurveOf.LINE_LOAD
    drawn = draw_curve(stiffness.soft, of, title=f"Curve of {name}")
    return Markup(drawn)  # noqa: S704 - our own drawing


def _read(form: Form, kind: Kind) -> PartStiffness | None:
    fields = FIELDS.get(kind, ())
    alone = [refuse_alone(form, field) for field in fields]
    if not any(alone):
        try:
            return stiffness_from_form(kind, {field.name: form.raw(field.name) for field in fields})
        except TradeError as trouble:
            refuse_in(form, "stiffness", fields, trouble)
    form.check()
    return None


def _facts(database: Engine, part_type_id: int) -> PartTypeFacts:
    with reading(database) as session:
        facts = part_type(session, part_type_id).facts
    if facts.kind not in FIELDS:
        raise NotFound(f"stiffness of a {facts.kind}, part type", part_type_id)
    return facts


def _page(request: Request, facts: PartTypeFacts, form: Form) -> Response:
    fields = FIELDS[facts.kind]
    lines = {field.name: help_of(field) for field in fields}
    context = StiffnessPage(facts, form, fields, lines, given_of(facts))
    return page(request, "store/part_types/stiffness.html", context, form.status)
