"""The drawing of lives by group: shares unfailed with intervals, numbers at risk, fitted laws."""

from collections.abc import Sequence

import numpy as np
from markupsafe import Markup

from service.life.arithmetic.kaplan_meier import SurvivalCurve
from service.life.arithmetic.life_by_group import GroupLife
from service.life.arithmetic.lifetimes import at_risk
from service.life.arithmetic.weibull import WeibullLife
from service.platform.drawings.charts import Axis, Series, Size, Steps, round_ticks, steps_chart
from service.platform.pages.kept_charts import kept_chart

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
                    *(_said(group, curve) for group, curve in drawn),
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


def _said(group: GroupLife, curve: SurvivalCurve) -> str:
    share = curve.share_at(curve.until_h)
    return (
        f"{group.name}: {group.lives.failures} of {group.lives.n} failed,"
        f" {share:.2f} unfailed at {curve.until_h:.0f} h."
    )
