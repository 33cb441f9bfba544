"""Lives by group as JSON: units in the names, nothing (null) where a number is not known."""

from pydantic import Field

from service.life.arithmetic import life_by_group
from service.life.arithmetic.log_rank import LogRank
from service.life.queries.lives_of_groups import LeftOut, LivesOfGroups
from service.platform.api.answers import Out, like, read_from


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


@like(life_by_group.GroupLife, only="name why_no_weibull")
class GroupLife(Out):
    """One group; ``id`` is that of the lot, part type or design, null for a supplier."""

    id: int | None
    counted: int = read_from("lives.n")
    failed: int = read_from("lives.failures")
    removed_unfailed: int = read_from("lives.removed")
    still_running: int = read_from("lives.running")
    unknown: int = read_from("lives.unknown")
    not_watched: int = read_from("lives.unwatched", "left at the hours they entered with")
    came_late: int = read_from("lives.late", "watched from later than 0 h")
    watched_h: float = read_from("lives.watched_h")
    begins_h: float | None = Field(description="where the first came under watch")
    until_h: float | None = Field(description="where the last left it")
    median_h: Interval | None
    failures_in_1000_h: Interval | None
    steps: list[Step]
    weibull: Weibull | None
    to_be_careful_with: list[str]


@like(LogRank, only="chi_square p is_rough")
class Test(Out):
    """Log-rank test of the groups that were watched at the same hours."""

    groups: list[str]
    lives: int = read_from("n")
    degrees_of_freedom: int = read_from("freedom")


@like(LivesOfGroups, only="by meas never_fitted left_out left_out_failed")
class Life(Out):
    """Lives side by side; hours are own hours at load."""

    level: float = Field(description="of all intervals")
    left_out_first: list[LeftOut] = read_from("left_out_lives")
    meeting_a_rule_unconfirmed: int = read_from("met_unconfirmed")
    set_apart: str = read_from("apart_words", "suspected ones and those at the end of life")
    groups: list[GroupLife]
    test: Test | None
    in_words: list[str]
