"""What the page of life by group shows: groups with their numbers, the comparison in words."""

from collections.abc import Sequence
from dataclasses import dataclass

from markupsafe import Markup

from service.life.arithmetic.life_by_group import GroupLife, LifeByGroup, life_by_group
from service.life.arithmetic.life_words import comparison_in_words, group_in_words, shape_in_words
from service.life.pages.group_life_charts import MOST_DRAWN, group_chart
from service.life.queries.life_rows import Choice
from service.life.queries.lives_of_groups import GroupBy, LivesOfGroups
from service.platform.pages.forms import Form

MOST_ROWS = 100
LEVELS = (("0.95", "95\u2009%"), ("0.9", "90\u2009%"), ("0.99", "99\u2009%"))
ADDRESSES = {
    GroupBy.LOT: "/lots/",
    GroupBy.PART_TYPE: "/part-types/",
    GroupBy.DESIGN: "/designs/",
}


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
    found: LivesOfGroups
    life: LifeByGroup
    level_words: str
    failures: int
    late: int
    rows: tuple[Row, ...]
    drawn: tuple[Row, ...]
    more_rows: int
    chart: Markup
    said: tuple[str, ...]
    types: tuple[Choice, ...]
    designs: tuple[Choice, ...]
    levels: tuple[tuple[str, str], ...] = LEVELS
    by: tuple[GroupBy, ...] = tuple(GroupBy)


def life_sheet(
    form: Form,
    found: LivesOfGroups,
    level: float,
    types: tuple[Choice, ...],
    designs: tuple[Choice, ...],
) -> LifeSheet:
    """Compute and draw what was found."""
    life = life_by_group({group.name: group.lives for group in found.groups}, level)
    ids = {group.name: group.id for group in found.groups}
    ordered = sorted(
        life.groups, key=lambda one: (-one.lives.failures, -one.lives.n, one.name.casefold())
    )
    drawn = _drawn(ordered, form.kept_all("show"))
    shown = ordered[:MOST_ROWS]
    shown += [group for group in drawn if group not in shown]
    names = {group.name for group in drawn}
    rows = tuple(
        Row(group, _address(found.by, ids[group.name]), group.name in names, group_in_words(group))
        for group in shown
    )
    return LifeSheet(
        form,
        found,
        life,
        f"{100 * level:g}\u2009%",
        sum(group.lives.failures for group in life.groups),
        sum(group.lives.late for group in life.groups),
        rows,
        tuple(row for row in rows if row.is_drawn),
        len(ordered) - len(shown),
        group_chart(drawn, level, laws=form.yes("laws")),
        comparison_in_words(life),
        types,
        designs,
    )


def _address(by: GroupBy, id_: int | None) -> str:
    return f"{ADDRESSES[by]}{id_}" if by in ADDRESSES and id_ is not None else ""


def _drawn(ordered: Sequence[GroupLife], asked: Sequence[str]) -> list[GroupLife]:
    """The groups asked for that there are; else those with most failures."""
    can = [group for group in ordered if group.curve is not None]
    wanted = [group for group in can if group.name in asked]
    return (wanted or can)[:MOST_DRAWN]
