"""Life by group: how long MEAs of a lot, type, supplier or design live unfailed."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from fastapi import APIRouter, Request, Response
from markupsafe import Markup

from service.life.arithmetic.kaplan_meier import SurvivalCurve
from service.life.arithmetic.life_by_group import (
    GroupLife,
    LifeByGroup,
    comparison_in_words,
    group_in_words,
    life_by_group,
    shape_in_words,
)
from service.life.arithmetic.lifetimes import at_risk
from service.life.arithmetic.weibull import WeibullLife
from service.life.queries.life_rows import Choice, designs_with_stacks, mea_types
from service.life.queries.lives_of_groups import GroupBy, LivesOfGroups, lives_of_groups
from service.people.pages.signing_in import Database, Me
from service.platform.database import reading
from service.platform.drawings.charts import Axis, Series, Size, Steps, round_ticks, steps_chart
from service.platform.pages.forms import Asked, Form
from service.platform.pages.kept_drawings import kept_chart
from service.platform.pages.render import page
from service.platform.permissions import Act, need

# What the page of life by group shows: groups with their numbers, the comparison in words.


MOST_ROWS = 100


LEVELS = (("0.95", "95\u2009%"), ("0.9", "90\u2009%"), ("0.99", "99\u2009%"))


ADDRESSES = {GroupBy.LOT: "/lots/", GroupBy.PART_TYPE: "/part-types/", GroupBy.DESIGN: "/designs/"}


@dataclass(frozen=True, slots=True)
class Row:
    """One group: where it leads, whether it is drawn, and what to be careful with."""

    group: GroupLife
    address: str
    is_drawn: bool
    careful: tuple[str, ...]

    @property
    def of_shape(self) -> str:
        """What the Weibull shape allows to say."""
        law = self.group.weibull
        return shape_in_words(law.shape_low, law.shape_high) if law else ""

    @property
    def ten_percent_h(self) -> tuple[float, float, float] | None:
        """Own hours by which a tenth has failed by the fitted law, with its interval."""
        return self.group.weibull.hours_until(0.1) if self.group.weibull else None


@dataclass(frozen=True, slots=True)
class LifeSheet:
    """Lives by group; ``drawn`` are the rows in the drawing.

    ``failures`` and ``late`` entries are counted over all groups. ``more_rows`` groups are
    not among the rows.
    """

    form: Form
    lives: LivesOfGroups
    life: LifeByGroup
    level_words: str
    failures: int
    late: int
    rows: tuple[Row, ...]
    drawn: tuple[Row, ...]
    more_rows: int
    chart: Markup
    sentences: tuple[str, ...]
    types: tuple[Choice, ...]
    designs: tuple[Choice, ...]
    levels: tuple[tuple[str, str], ...] = LEVELS
    by: tuple[GroupBy, ...] = tuple(GroupBy)


def life_sheet(
    form: Form,
    lives_read: LivesOfGroups,
    level: float,
    types: tuple[Choice, ...],
    designs: tuple[Choice, ...],
) -> LifeSheet:
    """Compute and draw what was found."""
    life = life_by_group({group.name: group.lives for group in lives_read.groups}, level)
    ids = {group.name: group.id for group in lives_read.groups}
    ordered = sorted(
        life.groups,
        key=lambda group: (-group.lives.failures, -group.lives.n, group.name.casefold()),
    )
    drawn = _drawn(ordered, form.raw_all("show"))
    listed = ordered[:MOST_ROWS]
    listed += [group for group in drawn if group not in listed]
    names = {group.name for group in drawn}
    rows = tuple(
        Row(
            group,
            _address(lives_read.by, ids[group.name]),
            group.name in names,
            group_in_words(group),
        )
        for group in listed
    )
    return LifeSheet(
        form,
        lives_read,
        life,
        f"{100 * level:g}\u2009%",
        sum(group.lives.failures for group in life.groups),
        sum(group.lives.late for group in life.groups),
        rows,
        tuple(row for row in rows if row.is_drawn),
        len(ordered) - len(listed),
        group_chart(drawn, level, laws=form.yes("laws")),
        comparison_in_words(life),
        types,
        designs,
    )


def _address(by: GroupBy, id_: int | None) -> str:
    return f"{ADDRESSES[by]}{id_}" if by in ADDRESSES and id_ is not None else ""


def _drawn(ordered: Sequence[GroupLife], names: Sequence[str]) -> list[GroupLife]:
    """The groups asked for that there are; else those with most failures."""
    can = [group for group in ordered if group.curve is not None]
    asked_groups = [group for group in can if group.name in names]
    return (asked_groups or can)[:MOST_DRAWN]


router = APIRouter(prefix="/life")
USUAL_LEVEL = "0.95"


@router.get("")
def show(request: Request, me: Me, database: Database, query: Asked) -> Response:
    """Show shares unfailed by group, and whether the groups differ."""
    need(me, Act.READ)
    by = query.choice("by", GroupBy, required=False) or GroupBy.LOT
    level = query.one_of("level", [value for value, _ in LEVELS], required=False) or USUAL_LEVEL
    with reading(database) as session:
        types, designs = mea_types(session), designs_with_stacks(session)
        type_ids = _asked_for(query, "part_type", types) or [mea_type.id for mea_type in types]
        design_id = next(iter(_asked_for(query, "design", designs)), None)
        lives_read = lives_of_groups(session, by, type_ids, design_id)
    sheet = life_sheet(query, lives_read, float(level), types, designs)
    return page(request, "life/show.html", sheet, query.status)


def _asked_for(query: Form, name: str, choices: tuple[Choice, ...]) -> list[int]:
    """The one chosen, if one was."""
    text = query.one_of(name, [str(choice.id) for choice in choices], required=False)
    return [int(text)] if text else []


# The drawing of lives by group: shares unfailed with intervals, numbers at risk, fitted laws.


MOST_DRAWN = 6
"""As many as there are pens that differ by line as well as by colour."""


_LAW_POINTS = 60


def group_chart(groups: Sequence[GroupLife], level: float, *, laws: bool) -> Markup:
    """Draw groups that have lives to count, at most six."""
    drawn = [(group, group.curve) for group in groups if group.curve is not None]
    ticks = round_ticks(max((curve.until_h for _, curve in drawn), default=1.0))
    interval = f"the {100 * level:g} % interval"
    return Markup(  # noqa: S704 - our own drawing
        kept_chart(
            steps_chart,
            tuple(_steps(group, curve, ticks) for group, curve in drawn),
            across=Axis("own hours at load", "h"),
            up=Axis("share not failed"),
            title="Share of MEAs not failed over their own hours",
            description=" ".join(
                [
                    f"Steps down at each failure, a band for {interval}.",
                    "A short tick stands where one left unfailed.",
                    *(_sentence_of_group(group, curve) for group, curve in drawn),
                ]
            ),
            prefix="life",
            at_risk_at=ticks,
            laws=tuple(
                _law(group.name, curve, group.weibull, pen)
                for pen, (group, curve) in enumerate(drawn, 1)
                if laws and group.weibull is not None
            ),
            size=Size(760.0, 300.0),
        )
    )


def _steps(group: GroupLife, curve: SurvivalCurve, ticks: Sequence[float]) -> Steps:
    lives = group.lives
    return Steps(
        group.name,
        curve.times_h.tolist(),
        curve.shares.tolist(),
        curve.lows.tolist(),
        curve.highs.tolist(),
        until=curve.until_h,
        censored=np.unique(lives.exit_h[~lives.failed]).tolist(),
        at_risk=at_risk(lives, np.array(ticks)).tolist(),
        begins=curve.begins_h,
        tips=[
            f"{group.name}, {hours:.0f} h: {failures} of {risk} failed, {share:.2f} unfailed"
            for hours, failures, risk, share in zip(
                curve.times_h.tolist(),
                curve.failures.tolist(),
                curve.at_risk.tolist(),
                curve.shares.tolist(),
                strict=True,
            )
        ],
    )


def _law(name: str, curve: SurvivalCurve, law: WeibullLife, pen: int) -> Series:
    """The fitted law from where watching begins: of those that had reached it."""
    hours = np.linspace(curve.begins_h, curve.until_h, _LAW_POINTS)
    reached = law.share_at(curve.begins_h)[0]
    shares = [law.share_at(hour)[0] / reached for hour in hours.tolist()]
    return Series(name, hours.tolist(), shares, mark="line", pen=pen, dashed=True)


def _sentence_of_group(group: GroupLife, curve: SurvivalCurve) -> str:
    share = curve.share_at(curve.until_h)
    return (
        f"{group.name}: {group.lives.failures} of {group.lives.n} failed,"
        f" {share:.2f} unfailed at {curve.until_h:.0f} h."
    )
