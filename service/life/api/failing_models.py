"""Answers on MEAs' own lives and on failing ones: units stand in the names."""

from datetime import datetime
from typing import Any

from pydantic import Field

from service.platform.api.answers import Out


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


class FailingList(Out):
    """One page of MEAs; ``after`` continues, null at the end."""

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
