"""The rule by which an MEA of a design counts as failing: its versions, and a new one."""

from dataclasses import dataclass

from fastapi import APIRouter, BackgroundTasks, Request, Response
from sqlalchemy import Engine

from service.designs.queries.designs import DesignOnPage, design
from service.life.arithmetic.voltage_trend import Method
from service.life.changes.failing_rules import judge_rest, write_rule
from service.life.pages.failing_rule_forms import (
    FIELDS,
    CriterionFields,
    form_of_rule,
    read_rule_form,
)
from service.life.queries.failing import Counts, failing_counts, judged_by_earlier
from service.life.queries.failing_rules import RuleVersion, rules_of_design
from service.people.pages.signing_in import Database, Me
from service.platform.database import changing, reading
from service.platform.pages.forms import Form, Typed, blank
from service.platform.pages.render import go_on, page
from service.platform.pages.shown_numbers import Number
from service.platform.permissions import Act, need

router = APIRouter(prefix="/designs")


@dataclass(frozen=True, slots=True)
class RulePage:
    """The versions of a design's rule, the newest first, and what it says now."""

    design: DesignOnPage
    versions: tuple[RuleVersion, ...]
    counts: Counts
    earlier: int
    form: Form


@dataclass(frozen=True, slots=True)
class RuleEntryPage:
    """The form of a new version; ``begun_from`` 0: there is none before."""

    design: DesignOnPage
    form: Form
    begun_from: int
    fields: tuple[CriterionFields, ...] = FIELDS
    methods: tuple[Method, ...] = tuple(Method)


@router.get("/{design_id}/failing-rule")
def show(request: Request, me: Me, database: Database, design_id: Number) -> Response:
    """Show the rule of a design with all its versions."""
    need(me, Act.READ)
    with reading(database) as session:
        context = RulePage(
            design(session, design_id),
            rules_of_design(session, design_id),
            failing_counts(session, design_id),
            judged_by_earlier(session, design_id),
            blank(request),
        )
    return page(request, "life/failing/rule.html", context)


@router.get("/{design_id}/failing-rule/new")
def show_new(request: Request, me: Me, database: Database, design_id: Number) -> Response:
    """Show the form of a new version, filled in with the newest one."""
    need(me, Act.FAILING_RULE)
    with reading(database) as session:
        versions = rules_of_design(session, design_id)
    form = form_of_rule(request, versions[0].rule if versions else None)
    return _entry(request, database, form, design_id)


@router.post("/{design_id}/failing-rule/new")
def write(
    *,
    request: Request,
    me: Me,
    database: Database,
    form: Typed,
    after: BackgroundTasks,
    design_id: Number,
) -> Response:
    """Write a new version; stacks beyond the first are judged by it after the answer."""
    need(me, Act.FAILING_RULE)
    with form.keeping():
        source, reason = form.text("source", most=1000), form.text("reason")
        rule = read_rule_form(form)
        with changing(database, me, key=form.key) as work:
            write_rule(work, design_id, rule, source=source, reason=reason)
            work.answer = f"/designs/{design_id}/failing-rule"
        after.add_task(judge_rest, database, design_id)
        return go_on(request, work.answer)
    return _entry(request, database, form, design_id)


@router.post("/{design_id}/failing-rule/judge")
def judge(
    *,
    request: Request,
    me: Me,
    form: Typed,
    database: Database,
    after: BackgroundTasks,
    design_id: Number,
) -> Response:
    """Judge what the rule in force has not judged: where a server stopped amid it, say."""
    need(me, Act.FAILING_RULE)
    form.check()
    after.add_task(judge_rest, database, design_id)
    return go_on(request, f"/designs/{design_id}/failing-rule")


def _entry(request: Request, database: Engine, form: Form, design_id: int) -> Response:
    with reading(database) as session:
        shown = design(session, design_id)
        versions = rules_of_design(session, design_id)
    context = RuleEntryPage(shown, form, versions[0].version if versions else 0)
    return page(request, "life/failing/rule_new.html", context, form.status)
