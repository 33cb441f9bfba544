"""Lives by group as JSON: units in the names, nothing (null) where a number is not known."""

from pydantic import Field

from service.platform.api.answers import Out


class Interval(Out):
    """A value with the ends of its interval; null: it does not reach so far."""

    value: float | None
    low: float | None
    high: float | None


class Step(Out):
    """A failure: own hours, how many were at risk and failed, the share not failed from then on."""

    hours: float
    at_risk: int
    failures: int
    share: Interval
    standard_error: float | None


class Weibull(Out):
    """A fitted law: shape without unit, scale in h."""

    shape: Interval
    scale_h: Interval
    a_tenth_failed_by_h: Interval
    log_likelihood: float


class GroupLife(Out):
    """One group; ``id`` is that of the lot, part type or design, null for a supplier."""

    name: str
    id: int | None
    counted: int
    failed: int
    removed_unfailed: int
    still_running: int
    unknown: int
    not_watched: int = Field(description="left at the hours they entered with")
    came_late: int = Field(description="watched from later than 0 h")
    watched_h: float
    begins_h: float | None = Field(description="where the first came under watch")
    until_h: float | None = Field(description="where the last left it")
    median_h: Interval | None
    failures_in_1000_h: Interval | None
    steps: list[Step]
    weibull: Weibull | None
    why_no_weibull: str
    to_be_careful_with: list[str]


class Test(Out):
    """Log-rank test of the groups that were watched at the same hours."""

    groups: list[str]
    lives: int
    chi_square: float
    degrees_of_freedom: int
    p: float
    is_rough: bool


class LeftOut(Out):
    """An MEA that is counted nowhere, and why."""

    part_id: int
    label: str
    why: str
    has_failed: bool


class Life(Out):
    """Lives side by side; hours are own hours at load."""

    by: str
    level: float = Field(description="of all intervals")
    meas: int
    never_fitted: int
    left_out: int
    left_out_failed: int
    left_out_first: list[LeftOut]
    meeting_a_rule_unconfirmed: int
    groups: list[GroupLife]
    test: Test | None
    in_words: list[str]
