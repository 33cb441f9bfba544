"""MEAs' own lives, the rules of failing, who meets them, and people's word on them."""

from datetime import datetime
from typing import Annotated, Any

from fastapi import APIRouter, BackgroundTasks, Path, Query
from pydantic import AwareDatetime, Field

from service.designs.queries import design
from service.life.api.parts import Drawing
from service.life.arithmetic.failing_rules import rule_as_data, rule_from_data
from service.life.arithmetic.recovery import CannotTell, Recovery
from service.life.changes.failing_marks import confirm_failing, withdraw_failing
from service.life.changes.failing_rules import judge_rest, write_rule
from service.life.queries.failing import FailingRow, confirmed_failing, judged, marks_of
from service.life.queries.failing_rules import RuleVersion, rules_of_design
from service.life.queries.mea_lives import MeaLife, mea_life
from service.life.tables import RuleAnswer
from service.platform.api.answers import Below, Cursor, Made, Out, Page, page_of
from service.platform.api.callers import Call, Caller, Database, make_once
from service.platform.api.request_models import In, Words
from service.platform.database import reading
from service.platform.permissions import Act, need
from service.platform.queries.lists import Turn, from_keys
from service.store.queries.names import part_by_text

# Answers on MEAs' own lives and on failing ones: units stand in the names.


class RuleOut(Out):
    """One version of the rule of a design; the newest one is in force."""

    version: int
    in_force: bool
    design: str
    content: dict[str, Any] = Field(description="reference density and criteria, as kept")
    in_words: list[str]
    source: str
    reason: str
    by: str
    made_at: datetime


class ReasonOut(Out):
    """What one criterion said, in words with figures."""

    criterion: str
    answer: str
    words: str


class VerdictOut(Out):
    """What a rule said of an MEA."""

    rule: str
    version: int
    is_newest: bool
    answer: str
    reasons: list[ReasonOut]
    figures: dict[str, Any]
    judged_at: datetime


class MarkOut(Out):
    """A person's word that an MEA is failing; withdrawn where ``withdrawn_at`` is given."""

    failed_at: datetime
    reason: str
    confirmed_by: str
    confirmed_at: datetime
    withdrawn_by: str | None
    withdrawn_at: datetime | None
    withdrawn_because: str


class FailingOut(Out):
    """One MEA of the list."""

    part: int = Field(description="lasting number of the part")
    label: str
    lot: str | None
    whereabouts: str
    usability: str
    stack: str | None
    cell: int | None
    design: str | None
    answer: str | None = Field(description="what the rule says; null: no verdict")
    reasons: list[ReasonOut]
    figures: dict[str, Any]
    judged_at: datetime | None
    failed_at: datetime | None
    mark_reason: str
    confirmed_by: str | None
    confirmed_at: datetime | None


class FailingList(Page):
    """One page of MEAs; ``after`` is the part ``next`` goes on after, null at the end."""

    rows: list[FailingOut]
    after: int | None


class RateOut(Out):
    """A slope of the voltage with its interval; below zero where it falls."""

    method: str
    slope_uv_h: float
    low_uv_h: float
    high_uv_h: float
    n: int
    level: float


class OutlookOut(Out):
    """Own hours from the last reading to the limit; null where nothing bounds them."""

    method: str
    outlook: str
    limit_v: float
    now_v: float | None
    hours_h: float | None
    low_h: float | None
    high_h: float | None
    level: float
    far: bool


class JumpOut(Out):
    """How much the level rose from one build to the next, by their places."""

    before: int
    after: int
    rise_v: float
    low_v: float
    high_v: float


class BendOut(Out):
    """The voltage does not fall evenly: median slopes up to some own hours and since then."""

    split_h: float
    early_uv_h: float
    late_uv_h: float


class ChangeOut(Out):
    """A value with its interval."""

    value: float
    low: float
    high: float


class RecoveryOut(Out):
    """Recoverable against lasting loss in one build."""

    running_uv_h: ChangeOut
    lasting_uv_h: ChangeOut | None
    lost_v: ChangeOut
    back_v: ChangeOut
    lasting_v: ChangeOut
    since_restart_v: ChangeOut
    share_back: float | None
    n: int
    level: float


class SatOut(Out):
    """One build an MEA sat in; ``place`` counts them in the order of closing."""

    place: int
    stack: str
    build_number: int
    cell: int
    position: int
    closed_at: datetime
    opened_at: datetime | None
    readings: int


class ReadingOut(Out):
    """One reading at the density; ``count`` neighbours were drawn together."""

    at: datetime
    own_hours: float
    at_least: bool
    voltage_v: float
    place: int
    count: int
    from_curve: bool


class LifeOut(Out):
    """An MEA's own life at one current density."""

    part: int
    label: str
    density_a_cm2: float | None
    builds: list[SatOut]
    readings: list[ReadingOut]
    rates: list[RateOut]
    bend: BendOut | None = Field(description="null: an even fall is as good")
    jumps: list[JumpOut]
    limit_v: float | None
    outlooks: list[OutlookOut]
    recovery: RecoveryOut | None
    recovery_untold: str = Field(description="why recoverable and lasting loss cannot be told")
    verdict: VerdictOut | None
    marks: list[MarkOut]


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
    page: Cursor = "",
    after: Below = None,
    most: Annotated[int, Query(ge=1, le=500)] = 50,
) -> FailingList:
    """Return MEAs confirmed as failing, or failing by the rule with nobody's word standing."""
    need(caller, Act.READ)
    with reading(engine) as session:
        turn = Turn(most, page)
        if answer is None:
            marks = marks_of(session, after) if after else ()
            turn = from_keys(turn, max((mark.id for mark in marks), default=after))
            found = confirmed_failing(session, turn, design_id=design_id)
        else:
            found = judged(session, answer, from_keys(turn, after), design_id=design_id)
    return FailingList(
        rows=[_row(row) for row in found.rows],
        after=found.rows[-1].part_id if found.further else None,
        **page_of(found),
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
) -> LifeOut:
    """Return an MEA's voltage over its own hours at one density, its rate, and hours to a limit."""
    need(caller, Act.READ)
    with reading(engine) as session:
        mea = mea_life(
            session,
            part_by_text(session, serial, drawing),
            density_a_cm2=density_a_cm2,
            limit_v=limit_v,
        )
    return _life(mea)


@router.post("/parts/{serial}/failing", status_code=201)
def confirm(*, serial: str, word: WordSent, call: Call, drawing: Drawing = "") -> Made:
    """Confirm that an MEA is failing."""
    return make_once(
        call,
        lambda work: confirm_failing(
            work,
            part_by_text(work.session, serial, drawing),
            failed_at=word.failed_at,
            reason=word.reason,
        ),
    )


@router.post("/parts/{serial}/failing/withdrawal", status_code=201)
def withdraw(*, serial: str, withdrawal: WithdrawalSent, call: Call, drawing: Drawing = "") -> Made:
    """Withdraw the standing word that an MEA is failing."""
    return make_once(
        call,
        lambda work: withdraw_failing(
            work, part_by_text(work.session, serial, drawing), reason=withdrawal.reason
        ),
    )


@router.get("/designs/{design_id}/failing-rule")
def rules(design_id: DesignNumber, caller: Caller, engine: Database) -> list[RuleOut]:
    """Return all versions of the rule of a design, the newest first; that one is in force."""
    need(caller, Act.READ)
    with reading(engine) as session:
        design(session, design_id)
        rules = rules_of_design(session, design_id)
    return [_rule(version) for version in rules]


@router.post("/designs/{design_id}/failing-rule", status_code=201)
def add_rule(
    design_id: DesignNumber, rule: RuleSent, engine: Database, call: Call, after: BackgroundTasks
) -> Made:
    """Write a new version of the rule, in force at once; stacks are judged by it."""
    made = make_once(
        call,
        lambda work: write_rule(
            work, design_id, rule_from_data(rule.content), source=rule.source, reason=rule.reason
        ),
    )
    after.add_task(judge_rest, engine, design_id)
    return made


def _rule(version: RuleVersion) -> RuleOut:
    return RuleOut(
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


def _row(row: FailingRow) -> FailingOut:
    return FailingOut(
        part=row.part_id,
        label=row.label,
        lot=row.lot,
        whereabouts=row.whereabouts,
        usability=row.usability,
        stack=row.stack_serial,
        cell=row.cell,
        design=row.design,
        answer=row.answer,
        reasons=[ReasonOut.model_validate(reason) for reason in row.reasons],
        figures=row.figures,
        judged_at=row.judged_at,
        failed_at=row.failed_at,
        mark_reason=row.mark_reason,
        confirmed_by=row.confirmed_by,
        confirmed_at=row.confirmed_at,
    )


def _life(mea: MeaLife) -> LifeOut:
    trend, recovery = mea.trend, mea.recovery
    rates = (trend.least_squares, trend.median_of_slopes) if trend else ()
    return LifeOut(
        part=mea.part.id,
        label=mea.part.label,
        density_a_cm2=mea.density_a_cm2,
        builds=[
            SatOut(
                place=build.sat.place,
                stack=build.sat.stack_serial,
                build_number=build.sat.build_number,
                cell=build.sat.cell,
                position=build.sat.position,
                closed_at=build.sat.closed_at,
                opened_at=build.sat.opened_at,
                readings=build.readings,
            )
            for build in mea.builds
        ],
        readings=_readings(mea),
        rates=[RateOut.model_validate(rate) for rate in rates if rate],
        bend=BendOut.model_validate(trend.bend) if trend and trend.bend else None,
        jumps=[JumpOut.model_validate(jump) for jump in (trend.jumps if trend else ())],
        limit_v=mea.limit_v,
        outlooks=[OutlookOut.model_validate(outlook) for outlook in mea.outlooks],
        recovery=RecoveryOut.model_validate(recovery) if isinstance(recovery, Recovery) else None,
        recovery_untold=recovery.why if isinstance(recovery, CannotTell) else "",
        verdict=VerdictOut.model_validate(mea.verdict) if mea.verdict else None,
        marks=[MarkOut.model_validate(mark) for mark in mea.marks],
    )


def _readings(mea: MeaLife) -> list[ReadingOut]:
    read = mea.readings
    if read is None:
        return []
    return [
        ReadingOut(
            at=read.times[index],
            own_hours=read.hours_h[index],
            at_least=read.at_least[index],
            voltage_v=read.voltages_v[index],
            place=read.places[index],
            count=read.counts[index],
            from_curve=read.from_curve[index],
        )
        for index in range(len(read.times))
    ]
