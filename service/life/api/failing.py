"""MEAs' own lives, the rules of failing, who meets them, and people's word on them."""

from typing import Annotated, Any

from fastapi import APIRouter, BackgroundTasks, Path, Query
from pydantic import AwareDatetime, Field

from service.designs.queries.designs import design
from service.life.api import failing_models as models
from service.life.api.parts import Drawing
from service.life.arithmetic.failing_rules import rule_as_data, rule_from_data
from service.life.arithmetic.recovery import CannotTell, Recovery
from service.life.changes.failing_marks import confirm_failing, withdraw_failing
from service.life.changes.failing_rules import judge_rest, write_rule
from service.life.queries.failing import FailingRow, confirmed_failing, judged
from service.life.queries.failing_rules import RuleVersion, rules_of_design
from service.life.queries.mea_lives import MeaLife, mea_life
from service.life.tables.failing import RuleAnswer
from service.platform.api.answers import Made
from service.platform.api.callers import Caller, Database, made_once
from service.platform.api.request_models import In, Words
from service.platform.database import reading
from service.platform.permissions import Act, need
from service.stacks.api.stacks import OneTimeKey
from service.store.queries.names import part_by_text

router = APIRouter(tags=["failing"])
DesignNumber = Annotated[int, Path(ge=1, le=2**53)]
Reason = Annotated[str, Field(min_length=1, max_length=4000)]


class RuleSent(In):
    """A new version of a rule; ``content`` in the form “failing rule 1”."""

    content: dict[str, Any]
    source: Annotated[str, Field(min_length=1, max_length=1000)]
    reason: Reason


class WordSent(In):
    """A person's word that an MEA is failing since a time."""

    failed_at: AwareDatetime
    reason: Reason


class WithdrawalSent(In):
    """Why the word is withdrawn."""

    reason: Words


@router.get("/failing")
def failing(
    *,
    caller: Caller,
    engine: Database,
    answer: Annotated[
        RuleAnswer | None,
        Query(description="what the rule says of MEAs nobody confirmed; without: confirmed ones"),
    ] = None,
    design_id: Annotated[int | None, Query(alias="design", ge=1, le=2**53)] = None,
    after: Annotated[int | None, Query(ge=1, le=2**53)] = None,
    most: Annotated[int, Query(ge=1, le=500)] = 50,
) -> models.FailingList:
    """MEAs confirmed as failing, or those of which the rule says so and nobody's word stands."""
    need(caller, Act.READ)
    with reading(engine) as session:
        if answer is None:
            rows = confirmed_failing(session, most + 1, design_id=design_id, last_id=after)
        else:
            rows = judged(session, answer, most + 1, design_id=design_id, last_id=after)
    shown = rows[:most]
    return models.FailingList(
        rows=[_row(row) for row in shown],
        after=shown[-1].part_id if len(rows) > most else None,
    )


@router.get("/parts/{serial}/life")
def life(
    *,
    serial: str,
    caller: Caller,
    engine: Database,
    drawing: Drawing = "",
    density_a_cm2: Annotated[float | None, Query(gt=0, le=10)] = None,
    limit_v: Annotated[float | None, Query(gt=0, le=1.3)] = None,
) -> models.LifeOut:
    """An MEA's voltage over its own hours at one density, its rate, and hours to a limit."""
    need(caller, Act.READ)
    with reading(engine) as session:
        found = mea_life(
            session,
            part_by_text(session, serial, drawing),
            density_a_cm2=density_a_cm2,
            limit_v=limit_v,
        )
    return _life(found)


@router.post("/parts/{serial}/failing", status_code=201)
def confirm(
    *,
    serial: str,
    word: WordSent,
    caller: Caller,
    engine: Database,
    drawing: Drawing = "",
    key: OneTimeKey = None,
) -> Made:
    """Confirm that an MEA is failing."""
    return made_once(
        engine,
        caller,
        key,
        lambda work: confirm_failing(
            work,
            part_by_text(work.session, serial, drawing),
            failed_at=word.failed_at,
            reason=word.reason,
        ),
    )


@router.post("/parts/{serial}/failing/withdrawal", status_code=201)
def withdraw(
    *,
    serial: str,
    withdrawal: WithdrawalSent,
    caller: Caller,
    engine: Database,
    drawing: Drawing = "",
    key: OneTimeKey = None,
) -> Made:
    """Withdraw the standing word that an MEA is failing."""
    return made_once(
        engine,
        caller,
        key,
        lambda work: withdraw_failing(
            work, part_by_text(work.session, serial, drawing), reason=withdrawal.reason
        ),
    )


@router.get("/designs/{design_id}/failing-rule")
def rules(design_id: DesignNumber, caller: Caller, engine: Database) -> list[models.RuleOut]:
    """All versions of the rule of a design, the newest first; that one is in force."""
    need(caller, Act.READ)
    with reading(engine) as session:
        design(session, design_id)
        found = rules_of_design(session, design_id)
    return [_rule(version) for version in found]


@router.post("/designs/{design_id}/failing-rule", status_code=201)
def add_rule(
    *,
    design_id: DesignNumber,
    rule: RuleSent,
    caller: Caller,
    engine: Database,
    after: BackgroundTasks,
    key: OneTimeKey = None,
) -> Made:
    """Write a new version of the rule, in force at once; stacks are judged by it."""
    made = made_once(
        engine,
        caller,
        key,
        lambda work: write_rule(
            work, design_id, rule_from_data(rule.content), source=rule.source, reason=rule.reason
        ),
    )
    after.add_task(judge_rest, engine, design_id)
    return made


def _rule(version: RuleVersion) -> models.RuleOut:
    return models.RuleOut(
        version=version.version,
        in_force=version.is_in_force,
        design=version.design,
        content=rule_as_data(version.rule),
        in_words=[criterion.words for criterion in version.rule.criteria],
        source=version.source,
        reason=version.reason,
        by=version.by,
        made_at=version.made_at,
    )


def _row(row: FailingRow) -> models.FailingOut:
    return models.FailingOut(
        part=row.part_id,
        label=row.label,
        lot=row.lot,
        whereabouts=row.whereabouts,
        usability=row.usability,
        stack=row.stack_serial,
        cell=row.cell,
        design=row.design,
        answer=row.answer,
        reasons=[models.ReasonOut.model_validate(one) for one in row.reasons],
        figures=row.figures,
        judged_at=row.judged_at,
        failed_at=row.failed_at,
        mark_reason=row.mark_reason,
        confirmed_by=row.confirmed_by,
        confirmed_at=row.confirmed_at,
    )


def _life(found: MeaLife) -> models.LifeOut:
    trend, told = found.trend, found.recovery
    rates = (trend.least_squares, trend.median_of_slopes) if trend else ()
    return models.LifeOut(
        part=found.part.id,
        label=found.part.label,
        density_a_cm2=found.density_a_cm2,
        builds=[
            models.SatOut(
                place=one.sat.place,
                stack=one.sat.stack_serial,
                build_number=one.sat.build_number,
                cell=one.sat.cell,
                position=one.sat.position,
                closed_at=one.sat.closed_at,
                opened_at=one.sat.opened_at,
                readings=one.readings,
            )
            for one in found.builds
        ],
        readings=_readings(found),
        rates=[models.RateOut.model_validate(rate) for rate in rates if rate],
        bend=models.BendOut.model_validate(trend.bend) if trend and trend.bend else None,
        jumps=[models.JumpOut.model_validate(it) for it in (trend.jumps if trend else ())],
        limit_v=found.limit_v,
        outlooks=[models.OutlookOut.model_validate(one) for one in found.outlooks],
        recovery=models.RecoveryOut.model_validate(told) if isinstance(told, Recovery) else None,
        recovery_untold=told.why if isinstance(told, CannotTell) else "",
        verdict=models.VerdictOut.model_validate(found.verdict) if found.verdict else None,
        marks=[models.MarkOut.model_validate(mark) for mark in found.marks],
    )


def _readings(found: MeaLife) -> list[models.ReadingOut]:
    read = found.readings
    if read is None:
        return []
    return [
        models.ReadingOut(
            at=read.times[at],
            own_hours=read.hours_h[at],
            at_least=read.at_least[at],
            voltage_v=read.voltages_v[at],
            place=read.places[at],
            count=read.counts[at],
            from_curve=read.from_curve[at],
        )
        for at in range(len(read.times))
    ]
