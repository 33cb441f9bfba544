"""The rule by which an MEA of a design counts as failing: its versions, and a new one."""

from dataclasses import dataclass

from fastapi import APIRouter, BackgroundTasks, Request, Response
from sqlalchemy import Engine

from service.condition.arithmetic.reference_voltages import NEAR_PERCENT
from service.designs.queries import DesignOnPage, design
from service.life.arithmetic.failing_rules import (
    FIRST_HOURS_H,
    NEAR_RANGE_PERCENT,
    RATE_READINGS,
    READINGS_IN_A_ROW,
    Criterion,
    CriterionKind,
    FailingRule,
)
from service.life.arithmetic.voltage_trend import Method
from service.life.changes.failing_rules import judge_rest, propose_rule
from service.life.queries.failing import Counts, failing_counts, judged_by_earlier
from service.life.queries.failing_rules import RuleVersion, rules_of_design
from service.people.pages.signing_in import Database, Me
from service.platform.arithmetic.vocabulary import Kind
from service.platform.database import changing, reading
from service.platform.pages.forms import Form, Number, Typed, blank
from service.platform.pages.render import go_on, page
from service.platform.permissions import Act, need
from service.records.arithmetic.lab_words import LabWord
from service.records.queries.lab_words import newest_words
from service.store.queries.proposals import Proposal, proposals_waiting
from service.store.tables import ChangeKind

# The form of a rule of failing: a criterion whose limit is left empty is left out.


FIRST_H = 100.0


RATE_HOURS_H = 200.0


RATE_READINGS_AT_FIRST = 8


@dataclass(frozen=True, slots=True)
class CriterionFields:
    """One criterion in the form: its kind, the hint of its limit, and what else it asks."""

    kind: CriterionKind
    name: str
    title: str
    limit: str
    hint: str


FIELDS = (
    CriterionFields(
        CriterionKind.VOLTAGE,
        "voltage",
        "Voltage at the reference density",
        "Fails below",
        "Such as 0.60. The same for every MEA of the design.",
    ),
    CriterionFields(
        CriterionKind.RATE,
        "rate",
        "Rate",
        "Fails if it loses more than",
        "Such as 50. Even the slow end of the interval must lose more.",
    ),
    CriterionFields(
        CriterionKind.LOSS,
        "loss",
        "Loss against its own beginning",
        "Fails if it lost more than",
        "Such as 10, a common end of life. Unknown where it was first read later.",
    ),
    CriterionFields(
        CriterionKind.AMONG_CELLS,
        "among_cells",
        "Among the cells of its stack",
        "Fails if its modified z-score is lower than minus",
        "Such as 3.5 (Iglewicz and Hoaglin, 1993). Says little in stacks of few cells.",
    ),
    CriterionFields(
        CriterionKind.OPEN_CIRCUIT,
        "open_circuit",
        "Open-circuit voltage",
        "Fails below",
        "Such as 0.85. From readings without load.",
    ),
    CriterionFields(
        CriterionKind.CROSSOVER,
        "crossover",
        "Hydrogen crossover, by leak tests of its stack",
        "Fails above",
        "As hydrogen at running pressure. Test a cell by itself: of several, which is not known.",
    ),
    CriterionFields(
        CriterionKind.SHORT,
        "short",
        "Short resistance, by checks of its cell",
        "Fails below",
        "Resistance times active area, as short checks give it.",
    ),
    CriterionFields(
        CriterionKind.LEAK,
        "leak",
        "Leak to the outside, by leak tests of its stack",
        "Fails above",
        "Each path by itself. Test a cell by itself: of several, which is not known.",
    ),
    CriterionFields(
        CriterionKind.FINDING,
        "finding",
        "Findings on it",
        "Fails from this severity on",
        "0 to 3; 0: whatever the severity. Without a word below, findings are left out.",
    ),
)


def form_of_rule(request: Request, rule: FailingRule | None) -> Form:
    """Return the form filled in with a rule.

    What it leaves out begins with usual counts, no limit.
    """
    values: dict[str, object] = {
        "reference_density": rule.reference_density_a_cm2 if rule else None,
        "near_percent": rule.near_percent if rule else NEAR_PERCENT,
        "rate_method": Method.MEDIAN_OF_SLOPES.value,
        "rate_readings": RATE_READINGS_AT_FIRST,
        "rate_hours": RATE_HOURS_H,
        "loss_first_hours": FIRST_H,
    }
    for fields in FIELDS:
        criterion = rule.criterion(fields.kind) if rule else None
        values.setdefault(f"{fields.name}_readings", 1)
        if criterion is not None:
            values[f"{fields.name}_limit"] = criterion.limit
            values[f"{fields.name}_readings"] = criterion.readings
            values |= {"finding_words": criterion.codes} if criterion.codes else {}
            if fields.kind is CriterionKind.RATE:
                values["rate_method"] = criterion.method.value
                values["rate_hours"] = criterion.least_hours_h
            if fields.kind is CriterionKind.LOSS:
                values["loss_first_hours"] = criterion.first_hours_h
    return blank(request, **values)


def read_rule_form(form: Form) -> FailingRule:
    """Return the rule as typed; what cannot be read is refused beside its field."""
    density = form.number("reference_density", least=0.001, most=10.0, unit="A/cm²", required=False)
    least, most = NEAR_RANGE_PERCENT
    near = form.number("near_percent", least=least, most=most, unit="%", required=False)
    criteria = [
        criterion for fields in FIELDS if (criterion := _criterion(form, fields)) is not None
    ]
    if not criteria and not form.is_refused:
        form.refuse("criteria", "No limit is given.", "One criterion at least.")
    form.check()
    return FailingRule(tuple(criteria), density, near or NEAR_PERCENT)


def _criterion(form: Form, fields: CriterionFields) -> Criterion | None:
    kind, name = fields.kind, fields.name
    least, most = kind.range
    limit = form.number(f"{name}_limit", least=least, most=most, unit=kind.unit, required=False)
    codes = form.raw_all("finding_words") if kind is CriterionKind.FINDING else ()
    if kind is CriterionKind.FINDING:
        limit = limit or 0.0 if codes else None
    if limit is None:
        return None
    of_rate, of_loss = kind is CriterionKind.RATE, kind is CriterionKind.LOSS
    fewest, greatest = RATE_READINGS if of_rate else READINGS_IN_A_ROW
    readings = form.whole(f"{name}_readings", least=fewest, most=greatest, required=False)
    method = form.choice("rate_method", Method, required=False) if of_rate else None
    hours = form.number("rate_hours", least=0.0, unit="h", required=False) if of_rate else None
    first_h = None
    if of_loss:
        low, high = FIRST_HOURS_H
        first_h = form.number("loss_first_hours", least=low, most=high, unit="h", required=False)
    if form.is_refused:
        return None
    return Criterion(
        kind,
        limit,
        readings or fewest,
        method or Method.MEDIAN_OF_SLOPES,
        hours or 0.0,
        first_h or FIRST_H,
        codes,
    )


router = APIRouter(prefix="/designs")


@dataclass(frozen=True, slots=True)
class RulePage:
    """The versions of a design's rule, the newest first, and what it says now."""

    design: DesignOnPage
    versions: tuple[RuleVersion, ...]
    counts: Counts
    waiting: tuple[Proposal, ...]
    earlier: int
    form: Form


@dataclass(frozen=True, slots=True)
class RuleEntryPage:
    """The form of a new version; ``begun_from`` 0: there is none before."""

    design: DesignOnPage
    form: Form
    begun_from: int
    words: tuple[LabWord, ...]
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
            proposals_waiting(session, ChangeKind.FAILING_RULE, design_id),
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
    *, request: Request, me: Me, database: Database, form: Typed, design_id: Number
) -> Response:
    """Propose a new version; it is in force once somebody else approves it."""
    need(me, Act.FAILING_RULE)
    with form.collecting_errors():
        source, reason = form.text("source", most=1000), form.text("reason")
        rule = read_rule_form(form)
        with changing(database, me, key=form.key) as work:
            key = propose_rule(work, design_id, rule, source=source, reason=reason)
            work.answer = f"/proposals/{key}"
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
        design_shown = design(session, design_id)
        versions = rules_of_design(session, design_id)
        words = tuple(word for word in newest_words(session)[1].words if Kind.MEA in word.fits)
    context = RuleEntryPage(design_shown, form, versions[0].version if versions else 0, words)
    return page(request, "life/failing/rule_new.html", context, form.status)
