"""MEAs' own lives, the rules of failing, who meets them, and people's word on them."""

from datetime import datetime
from typing import Annotated, Any

from fastapi import APIRouter, Path, Query
from pydantic import AwareDatetime, Field

from service.designs.queries import design
from service.life.api.parts import Drawing, Maker
from service.life.arithmetic.failing_rules import rule_as_data, rule_from_data
from service.life.arithmetic.grounds import MeaWord
from service.life.arithmetic.hours_to_limit import HoursToLimit
from service.life.arithmetic.recovery import CannotTell, Recovery
from service.life.arithmetic.voltage_trend import Bend, Jump, Rate
from service.life.changes.failing_marks import confirm_failing, withdraw_failing
from service.life.changes.failing_rules import propose_rule
from service.life.queries.failing import (
    FailingRow,
    MarkOfPerson,
    VerdictOfRule,
    judged,
    marks_of,
    said_of_meas,
)
from service.life.queries.failing_rules import RuleVersion, rules_of_design
from service.life.queries.grounds import GroundSeen, grounds_offered
from service.life.queries.mea_histories import MeaSat
from service.life.queries.mea_lives import MeaLife, mea_life
from service.life.queries.places import FaceCounted, FindingFilter, WordSeen, findings_by_place
from service.life.tables import RuleAnswer
from service.platform.api.answers import Below, Cursor, Made, Out, Page, like, page_of, read_from
from service.platform.api.callers import Call, Caller, Database, make_once
from service.platform.api.request_models import In, Words
from service.platform.arithmetic.vocabulary import Kind
from service.platform.database import reading
from service.platform.permissions import Act, need
from service.platform.queries.lists import Turn, from_keys
from service.store.queries.names import part_by_text

# Answers on MEAs' own lives and on failing ones: units stand in the names.


@like(RuleVersion, without="id design_id rule newest")
class RuleOut(Out):
    """One version of the rule of a design; the newest one is in force."""

    in_force: bool = read_from("is_in_force")
    content: dict[str, Any] = Field(description="reference density and criteria, as kept")
    in_words: list[str]


@like(VerdictOfRule, without="rule_id design_id")
class VerdictOut(Out):
    """What a rule said of an MEA."""


@like(GroundSeen)
class GroundOut(Out):
    """A ground of a word on an MEA, with the page it is read on; sent back by its ``key``."""

    key: str


@like(MarkOfPerson, without="id rule_answer rule_words")
class MarkOut(Out):
    """A person's word on an MEA; withdrawn where ``withdrawn_at`` is given."""

    grounds: list[GroundOut]


@like(FailingRow, without="part_id lot_id place stack_serial mark_id")
class FailingOut(Out):
    """One MEA of the list."""

    part: int = read_from("part_id", "lasting number of the part")
    stack: str | None = read_from("stack_serial")
    answer: RuleAnswer | None = Field(description="what the rule says; null: no verdict")
    grounds: list[GroundOut]


class FailingList(Page):
    """One page of MEAs; ``after`` is the part ``next`` goes on after, null at the end."""

    rows: list[FailingOut]
    after: int | None


@like(HoursToLimit, without="n")
class OutlookOut(Out):
    """Own hours from the last reading to the limit; null where nothing bounds them."""


@like(Recovery, without="stops")
class RecoveryOut(Out):
    """Recoverable against lasting loss in one build."""


@like(MeaSat, without="build_id stack_id stack_serial design_id design")
class SatOut(Out):
    """One build an MEA sat in; ``place`` counts them in the order of closing."""

    stack: str = read_from("stack_serial")
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


@like(MeaLife, only="density_a_cm2 limit_v")
class LifeOut(Out):
    """An MEA's own life at one current density."""

    part: int = read_from("part.id")
    label: str = read_from("part.label")
    builds: list[SatOut]
    readings: list[ReadingOut]
    rates: list[Rate]
    bend: Bend | None = Field(description="null: an even fall is as good")
    jumps: list[Jump]
    outlooks: list[OutlookOut]
    recovery: RecoveryOut | None
    recovery_untold: str = Field(description="why recoverable and lasting loss cannot be told")
    verdict: VerdictOut | None
    marks: list[MarkOut]


router = APIRouter(tags=["failing"])
DesignNumber = Annotated[int, Path(ge=1, le=2**53)]
Reason = Annotated[str, Field(min_length=1, max_length=4000)]


@like(FaceCounted)
class FaceOut(Out):
    """One face: on how many parts the word was seen, in all and in each square that has some."""


@like(WordSeen)
class WordSeenOut(Out):
    """A word and on how many parts it was seen, on how many of them without a square."""


class PlacesOut(Out):
    """Parts of a kind counted by what was seen on them; ``faces`` for the word asked for."""

    inspected: int = read_from("inspected.inspected", "parts inspected: what is counted is of them")
    nothing_found: int = read_from("inspected.nothing_found", "of those inspected")
    not_inspected: int = read_from("inspected.not_inspected", "parts nobody inspected, beside them")
    seen: list[WordSeenOut]
    chosen: WordSeenOut | None
    faces: list[FaceOut]


class RuleSent(In):
    """A new version of a rule; ``content`` in the form “failing rule 1”."""

    content: dict[str, Any]
    source: Annotated[str, Field(min_length=1, max_length=1000)]
    reason: Reason


class WordSent(In):
    """A person's word on an MEA since a time; without ``says`` it failed.

    ``grounds`` are keys of those its own list of grounds offers; a suspicion may have none.
    """

    failed_at: AwareDatetime
    reason: Reason
    says: MeaWord = MeaWord.FAILED
    grounds: list[Annotated[str, Field(max_length=40)]] = Field(default=[], max_length=50)


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
        Query(description="what the rule says of MEAs with nobody's word; without: by ``says``"),
    ] = None,
    says: Annotated[MeaWord, Query(description="somebody's word on them")] = MeaWord.FAILED,
    design_id: Annotated[int | None, Query(alias="design", ge=1, le=2**53)] = None,
    page: Cursor = "",
    after: Below = None,
    most: Annotated[int, Query(ge=1, le=500)] = 50,
) -> FailingList:
    """Return MEAs with somebody's word, or failing by the rule with nobody's word standing."""
    need(caller, Act.READ)
    with reading(engine) as session:
        turn = Turn(most, page)
        if answer is None:
            marks = marks_of(session, after) if after else ()
            turn = from_keys(turn, max((mark.id for mark in marks), default=after))
            mea_list = said_of_meas(session, says, turn, design_id=design_id)
        else:
            mea_list = judged(session, answer, from_keys(turn, after), design_id=design_id)
    after = mea_list.rows[-1].part_id if mea_list.further else None
    return FailingList.from_answer(mea_list, after=after, **page_of(mea_list))


@router.get("/failing/findings")
def findings_counted(
    *,
    caller: Caller,
    engine: Database,
    kind: Kind = Kind.MEA,
    word: Annotated[str, Query(max_length=200, description="a finding’s word or its code")] = "",
    design_id: Annotated[int | None, Query(alias="design", ge=1, le=2**53)] = None,
    supplier: Annotated[str, Query(max_length=200)] = "",
    lot: Annotated[str, Query(max_length=200, description="what it is called")] = "",
) -> PlacesOut:
    """Count parts by what was seen on them, and by face and square for one word."""
    need(caller, Act.READ)
    with reading(engine) as session:
        asked = FindingFilter(kind, design_id, supplier, lot)
        counted = findings_by_place(session, asked, word)
    return PlacesOut.from_answer(counted)


@router.get("/parts/{serial}/life")
def life(
    *,
    serial: str,
    caller: Caller,
    engine: Database,
    drawing: Drawing = "",
    maker: Maker = "",
    density_a_cm2: Annotated[float | None, Query(gt=0, le=10)] = None,
    limit_v: Annotated[float | None, Query(gt=0, le=1.3)] = None,
) -> LifeOut:
    """Return an MEA's voltage over its own hours at one density, its rate, and hours to a limit."""
    need(caller, Act.READ)
    with reading(engine) as session:
        mea = mea_life(
            session,
            part_by_text(session, serial, drawing, maker),
            density_a_cm2=density_a_cm2,
            limit_v=limit_v,
        )
    return _life(mea)


@router.get("/parts/{serial}/failing/grounds")
def grounds(
    *, serial: str, caller: Caller, engine: Database, drawing: Drawing = "", maker: Maker = ""
) -> list[GroundOut]:
    """Return what a word on an MEA may rest on: its voltage and hours, findings, tests."""
    need(caller, Act.READ)
    with reading(engine) as session:
        offered = grounds_offered(session, part_by_text(session, serial, drawing, maker))
    return [GroundOut.from_answer(ground) for ground in offered]


@router.post("/parts/{serial}/failing", status_code=201)
def confirm(
    *, serial: str, word: WordSent, call: Call, drawing: Drawing = "", maker: Maker = ""
) -> Made:
    """Say that an MEA failed, is suspected or at the end of its life."""
    return make_once(
        call,
        lambda work: confirm_failing(
            work,
            part_by_text(work.session, serial, drawing, maker),
            failed_at=word.failed_at,
            reason=word.reason,
            grounds=word.grounds,
            says=word.says,
        ),
    )


@router.post("/parts/{serial}/failing/withdrawal", status_code=201)
def withdraw(
    *, serial: str, withdrawal: WithdrawalSent, call: Call, drawing: Drawing = "", maker: Maker = ""
) -> Made:
    """Withdraw the standing word on an MEA."""
    return make_once(
        call,
        lambda work: withdraw_failing(
            work, part_by_text(work.session, serial, drawing, maker), reason=withdrawal.reason
        ),
    )


@router.get("/designs/{design_id}/failing-rule")
def rules(design_id: DesignNumber, caller: Caller, engine: Database) -> list[RuleOut]:
    """Return all versions of the rule of a design, the newest first; that one is in force."""
    need(caller, Act.READ)
    with reading(engine) as session:
        design(session, design_id)
        versions = rules_of_design(session, design_id)
    return [_rule(version) for version in versions]


@router.post("/designs/{design_id}/failing-rule", status_code=201)
def add_rule(design_id: DesignNumber, rule: RuleSent, call: Call) -> Made:
    """Propose a new version of the rule: it is in force once somebody else approves it by hand."""
    return make_once(
        call,
        lambda work: propose_rule(
            work, design_id, rule_from_data(rule.content), source=rule.source, reason=rule.reason
        ),
    )


def _rule(version: RuleVersion) -> RuleOut:
    return RuleOut.from_answer(
        version,
        content=rule_as_data(version.rule),
        in_words=[criterion.words for criterion in version.rule.criteria],
    )


def _life(mea: MeaLife) -> LifeOut:
    trend, recovery = mea.trend, mea.recovery
    rates = (trend.least_squares, trend.median_of_slopes) if trend else ()
    return LifeOut.from_answer(
        mea,
        builds=[SatOut.from_answer(build.sat, readings=build.readings) for build in mea.builds],
        readings=_readings(mea),
        rates=[rate for rate in rates if rate],
        bend=trend and trend.bend,
        jumps=trend.jumps if trend else (),
        recovery=recovery if isinstance(recovery, Recovery) else None,
        recovery_untold=recovery.why if isinstance(recovery, CannotTell) else "",
    )


def _readings(mea: MeaLife) -> list[dict[str, Any]]:
    read = mea.readings
    if read is None:
        return []
    columns = (read.times, read.hours_h, read.at_least, read.voltages_v, read.places, read.counts,
               read.from_curve)  # fmt: skip
    return [
        dict(zip(ReadingOut.model_fields, row, strict=True)) for row in zip(*columns, strict=True)
    ]
