"""What a comparison of failing MEAs says, in words: association, few data plainly, never a cause.

People are never ranked: of who worked at a closing only is told whether the distribution differs.
Common practice, no source; the limits of few data likewise.
"""

from math import isinf

from service.life.arithmetic.conditional_law import LEAST_P, OddsRatio
from service.life.arithmetic.confounding import Apart, Overlap
from service.life.arithmetic.factors import Unit
from service.life.arithmetic.position_test import PositionTest
from service.life.arithmetic.suspects import FactorFound, LevelFound, Suspects

NOT_CAUSE = (
    "This tells what goes together with failing, not what brings it about. Cause is established"
    " by a test that parts the factors, such as putting the MEA alone into another stack."
)
FEW_FAILING = 5
FEW_BUILDS = 5
OF_NOTE = 0.05


def p_words(p: float) -> str:
    """Return a probability as it is printed.

    >>> p_words(0.0353), p_words(0.00004), p_words(0.0)
    ('0.035', '4e-05', '< 1e-15')
    """
    if p < LEAST_P:
        return f"< {LEAST_P:g}"
    return f"{min(1.0, p):.2g}"


def ratio_words(value: float) -> str:
    """Return an odds ratio or one of its bounds as it is printed."""
    if isinf(value):
        return "no upper bound"
    return f"{value:.0f}" if value >= 10 else f"{value:.2g}"


def odds_words(odds: OddsRatio) -> str:
    """Return an odds ratio with its interval.

    >>> odds_words(OddsRatio(14.2, 0.848, 942.3, 11.7, 0.95, 24))
    '14 (95 % interval 0.85 to 942)'
    """
    return f"{likeliest_words(odds)} ({odds.level * 100:g} % interval {interval_words(odds)})"


def likeliest_words(odds: OddsRatio) -> str:
    """Return the odds ratio alone; “about” where a corner is empty and a half was added to each."""
    return ratio_words(odds.value) if odds.finite else f"about {ratio_words(odds.with_half)}"


def interval_words(odds: OddsRatio) -> str:
    """Return the interval alone."""
    if isinf(odds.high):
        return f"{ratio_words(odds.low)} upward"
    return f"{ratio_words(odds.low)} to {ratio_words(odds.high)}"


def level_sentence(factor: FactorFound, level: LevelFound, level_name: str) -> str:
    """Return what was found of one level, ``level_name`` as people call it."""
    plural = "builds" if factor.unit is Unit.BUILD else "MEAs"
    counts = (
        f"{factor.kind}, {level_name}: {level.failing} of {level.all} {plural} fail, of the others"
        f" {level.rest_failing} of {level.rest_all}"
    )
    if level.test is None or level.odds is None:
        return f"{counts}; no failing one can be set against others that had run as long."
    return (
        f"{counts}; odds ratio {odds_words(level.odds)}, exact two-sided p"
        f" {p_words(level.test.two_sided)} with hours considered."
    )


def factor_sentence(factor: FactorFound, looked_at: int) -> str:
    """Say whether a factor goes together with failing: p, q and the number of factors looked at.

    Of people nothing more is ever said than this.
    """
    if factor.p is None or factor.q is None:
        why = "none had run as long" if factor.varies else "all known are alike"
        return f"{factor.kind}: nothing can be compared, {why}."
    phrase = (
        "goes together with failing"
        if factor.q <= OF_NOTE
        else "does not differ more than chance would have it"
    )
    if factor.kind.is_of_people:
        phrase = (
            "distributed differently in failing builds"
            if factor.q <= OF_NOTE
            else "distributed as chance would have it"
        )
    times = factor.comparisons
    several = f", smallest of {factor.levels_seen} levels' times {times}" if times > 1 else ""
    return (
        f"{factor.kind}: {phrase} (p {p_words(factor.p)}{several};"
        f" q {p_words(factor.q)} over {looked_at} factors looked at)."
    )


def unit_sentence(factor: FactorFound) -> str:
    """Return what was counted and why."""
    if factor.by_build_for_alikeness:
        return (
            "Counted by builds: nearly every build has one level only, so its cells are no"
            " repetitions of each other."
        )
    if factor.unit is Unit.BUILD:
        return "Counted by builds: there is one of it at a closing, not one a cell."
    return "Counted by MEAs."


def few_data(result: Suspects) -> tuple[str, ...]:
    """Say where the data are too few to say much; empty where they are not."""
    sentences = []
    if result.failing < FEW_FAILING:
        sentences.append(
            f"Few data: {result.failing} failing {'MEA' if result.failing == 1 else 'MEAs'}."
            " Whatever stands out here may be chance."
        )
    if result.builds < FEW_BUILDS:
        sentences.append(
            f"Few data: {result.builds} {'build' if result.builds == 1 else 'builds'}; what belongs"
            " to the build can hardly be judged."
        )
    if not result.comparable:
        sentences.append("No other MEA has run as long as the failing: hours cannot be considered.")
    elif result.comparable < result.failing:
        sentences.append(
            f"Only {result.comparable} other {'MEA has' if result.comparable == 1 else 'MEAs have'}"
            " run as long as the first failing one."
        )
    if result.hours_unknown:
        meas, are = ("MEA", "is") if result.hours_unknown == 1 else ("MEAs", "are")
        sentences.append(
            f"{result.hours_unknown} {meas} without known hours {are} left out of every figure that"
            " uses hours."
        )
    return tuple(sentences)


def too_few(factor: FactorFound) -> bool:
    """Say whether even the most lopsided outcome could not have stood out, so few are there."""
    least = min((level.least_p for level in factor.levels), default=0.0)
    return factor.varies and least > OF_NOTE


def too_few_sentence(result: Suspects) -> str | None:
    """Return the factors of which no outcome could have stood out; None where there are none."""
    kinds = [str(factor.kind) for factor in result.factors if too_few(factor)]
    if not kinds:
        return None
    return (
        f"Few data: with so few failing and comparable, no outcome could have given a p up to"
        f" {OF_NOTE:g} for {', '.join(kinds)}."
    )


def by_chance_sentence(result: Suspects) -> str:
    """Return what looking at several factors costs."""
    return (
        f"{result.looked_at} factors looked at: were nothing there, the chance of at least one"
        f" p ≤ {OF_NOTE:g} would be about {result.by_chance * 100:.0f} %."
    )


def apart_sentence(members: str, factor: str, overlap: Overlap, inside: str | None) -> str | None:
    """Say that a level cannot be told apart from another factor; None where it can.

    >>> apart_sentence("MEA lot A", "place from the nearer end", Overlap(0.0, 0, 24), "end cell")
    'MEA lot A was only ever in place from the nearer end “end cell”: they cannot be told apart.'
    """
    if overlap.apart is Apart.YES:
        return None
    if inside is not None:
        return f"{members} was only ever in {factor} “{inside}”: they {overlap.apart}."
    return f"{members} and {factor} {overlap.apart}: they nearly always go together."


def position_sentence(result: PositionTest) -> str:
    """Say where the failing lie within their stacks."""
    if not result.failing:
        return "Place within the stack: no stack has both failing and other MEAs."
    side = "nearer the ends" if result.mean < result.expected else "nearer the middle"
    many = "all ways counted" if result.counted else "by the normal law, the failing being many"
    place_words = (
        f"lie {side} than dealing them to the cells at random would put them"
        if result.p <= OF_NOTE
        else "lie as dealing them to the cells at random would put them"
    )
    of_stacks = f"{result.stacks} {'build' if result.stacks == 1 else 'builds'}"
    return (
        f"Place within the stack: the {result.failing} failing of {of_stacks} {place_words}:"
        f" {result.mean:.1f} cells from the nearer end on average, {result.expected:.1f} expected"
        f" (permutation within stacks, {many}: p {p_words(result.p)});"
        f" {result.at_ends} in end cells."
    )
