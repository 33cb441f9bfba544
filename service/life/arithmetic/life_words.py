"""What a comparison of lives says in words: an association with its numbers, never a cause."""

from service.life.arithmetic.kaplan_meier import FEW_AT_RISK
from service.life.arithmetic.life_by_group import FEW_FAILURES, GroupLife, LifeByGroup

SMALL_P = 0.05
MOST_LISTED = 8


def p_in_words(p: float) -> str:
    """A p value with two digits that mean something.

    >>> p_in_words(0.21345), p_in_words(0.0321), p_in_words(0.0000417), p_in_words(1e-9)
    ('0.21', '0.032', '0.00004', 'less than 0.00001')
    """
    if p < 1e-5:
        return "less than 0.00001"
    digits = 2 if p >= 0.1 else 3 if p >= 0.001 else 5
    return f"{p:.{digits}f}"


def comparison_in_words(life: LifeByGroup) -> tuple[str, ...]:
    """Do the groups differ? One sentence a line; the last ones say what to be careful with."""
    test = life.test
    if test is None:
        return (life.why_no_test,)
    failures = int(test.observed.sum())
    degrees = f"{test.freedom} {'degree' if test.freedom == 1 else 'degrees'} of freedom"
    said = [
        (
            f"Log-rank test of {len(life.tested)} groups, {test.n} lives and {_failures(failures)}:"
            f" χ² = {test.chi_square:.2f} with {degrees}, p = {p_in_words(test.p)}."
        )
    ]
    if test.is_rough:
        said.append(
            f"Too few failures for a firm answer: a group has fewer than {FEW_FAILURES}, seen and"
            " expected, so that p is an indication only."
        )
    elif test.p < SMALL_P:
        said.append(
            "If all groups lived alike, so large a difference would be rare. The groups go together"
            " with length of life; what else they do not share may stand behind it."
        )
    else:
        said.append(
            "A difference like this would be nothing unusual if all groups lived alike; with"
            f" {_failures(failures)} a real one may still not be seen."
        )
    if life.too_few:
        said.append(
            f"Left out of the test, with fewer than {FEW_FAILURES} failures seen and expected:"
            f" {_listed(life.too_few)}."
        )
    if len(life.tested) > 2:
        said.append(
            f"{len(life.tested)} groups are compared in one test; picking out two of them"
            " afterwards is another question than the one answered here."
        )
    return tuple(said)


def group_in_words(group: GroupLife) -> tuple[str, ...]:
    """What to be careful with in one group; nothing where there is nothing."""
    said = []
    curve = group.curve
    if curve is not None and group.is_few:
        said.append(
            "no failure yet" if not group.lives.failures else f"fewer than {FEW_FAILURES} failures"
        )
    if curve is not None and curve.begins_h > 0:
        said.append(
            f"watched from {curve.begins_h:.0f}\u2009h on: the share of those that had reached it"
        )
    if curve is not None and curve.emptied_h is not None:
        said.append(
            f"all at risk at {curve.emptied_h:.0f}\u2009h failed while others entered later:"
            " the curve says nothing of those"
        )
    elif curve is not None and curve.few_from_h is not None and not group.is_few:
        said.append(
            f"fewer than {FEW_AT_RISK} at risk from the failure at {curve.few_from_h:.0f}\u2009h on"
        )
    return tuple(said)


def shape_in_words(low: float, high: float) -> str:
    """What an interval of the Weibull shape allows to say.

    >>> shape_in_words(1.3, 2.2), shape_in_words(0.8, 1.9), shape_in_words(0.3, 0.8)
    ('failures come more often with age', 'age may matter or not', 'failures fade with age')
    """
    if low > 1:
        return "failures come more often with age"
    return "failures fade with age" if high < 1 else "age may matter or not"


def _listed(names: tuple[str, ...]) -> str:
    shown = ", ".join(names[:MOST_LISTED])
    return f"{shown} and {len(names) - MOST_LISTED} more" if len(names) > MOST_LISTED else shown


def _failures(count: int) -> str:
    return f"{count} {'failure' if count == 1 else 'failures'}"
