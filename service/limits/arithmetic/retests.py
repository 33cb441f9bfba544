"""Which verdicts of a closed stack an act makes outdated: all, unless the design has a rule for it.

Verdicts of the closing have no rule: they are computed anew from the readings of the act.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum
from typing import Protocol, TypeVar

from service.limits.arithmetic.leak_paths import TO_OUTSIDE, Path
from service.platform.arithmetic.errors import Inconsistent
from service.platform.arithmetic.verdicts import Undoing

PRACTICE = "common practice, no source"


class Retest(StrEnum):
    """Tests of a closed stack that are repeated together."""

    LEAK_OUTSIDE = "leak to outside"
    LEAK_BETWEEN = "leak between circuits"
    INSULATION = "insulation"
    SHORTS = "shorts"


ALL = frozenset(Retest)
LEAKS = frozenset({Retest.LEAK_OUTSIDE, Retest.LEAK_BETWEEN})
EVERY, NONE = "all", "none"
RULED = (Undoing.RE_TORQUE, Undoing.UNLOADED, Undoing.PART_CHANGED)
"""The acts a design may have a rule for."""


class Spares(StrEnum):
    """What an act with a rule may leave alone."""

    RELEASE = "release"
    LEAK = "leak"


@dataclass(frozen=True, slots=True)
class RetestRule:
    """The tests to repeat after an act; none of them is an answer too."""

    act: Undoing
    repeat: tuple[Retest, ...]
    source: str

    def __post_init__(self) -> None:
        """Refuse a rule for what always outdates everything, and one without a source."""
        if self.act not in RULED:
            raise Inconsistent(f"After a {self.act} every test is repeated: it takes no rule.")
        if not self.source.strip():
            raise Inconsistent("Name the source of the rules for repeating tests.")


USUAL = (
    RetestRule(Undoing.RE_TORQUE, (Retest.LEAK_OUTSIDE, Retest.INSULATION), PRACTICE),
    RetestRule(Undoing.UNLOADED, tuple(Retest), PRACTICE),
    RetestRule(Undoing.PART_CHANGED, tuple(Retest), PRACTICE),
)
"""What is usual. Common practice, no source."""


def outdated_after(rules: Iterable[RetestRule], act: Undoing) -> frozenset[Retest]:
    """Return the tests whose verdicts an act makes outdated: all where no rule is given for it.

    >>> sorted(outdated_after(USUAL, Undoing.RE_TORQUE))
    [<Retest.INSULATION: 'insulation'>, <Retest.LEAK_OUTSIDE: 'leak to outside'>]
    >>> outdated_after((), Undoing.RE_TORQUE) == outdated_after(USUAL, Undoing.LOAD_CYCLE) == ALL
    True
    """
    return next((frozenset(rule.repeat) for rule in rules if rule.act is act), ALL)


class Act(Protocol):
    """Something done to a closed stack."""

    @property
    def at(self) -> datetime:
        """When it was done."""

    @property
    def outdates(self) -> frozenset[Retest]:
        """The tests that it outdates."""


Acted = TypeVar("Acted", bound=Act)


def outdated_since(tested_at: datetime, acts: Iterable[Acted]) -> dict[Retest, Acted]:
    """Return the first act since a test that outdates each kind of verdict; ``acts`` in time.

    Done at the very moment of the test counts as done before it.
    """
    first: dict[Retest, Acted] = {}
    for act in acts:
        if act.at > tested_at:
            first = dict.fromkeys(act.outdates, act) | first
    return first


def retest_of(path: Path) -> Retest:
    """Return the tests that a path of a leak belongs to."""
    return Retest.LEAK_OUTSIDE if path in TO_OUTSIDE.values() else Retest.LEAK_BETWEEN


def spared(
    rules: Iterable[RetestRule], *, limits_clamp: bool
) -> tuple[tuple[Undoing, Spares], ...]:
    """Return what each act leaves alone: a release where nothing is outdated, tests of leaks.

    Where the clamp is limited, each act of a rule changes a verdict that the release rests on.
    """
    return tuple(
        (rule.act, spares)
        for rule in rules
        for spares, is_left in (
            (Spares.RELEASE, not rule.repeat and not limits_clamp),
            (Spares.LEAK, LEAKS.isdisjoint(rule.repeat)),
        )
        if is_left
    )


def repeat_as_typed(repeat: tuple[Retest, ...]) -> str:
    """Return the tests of a rule as they are typed."""
    return EVERY if frozenset(repeat) == ALL else ", ".join(repeat) or NONE


def repeat_from(text: str) -> tuple[Retest, ...]:
    """Return the tests that were typed, in their order. Raises Inconsistent for another word.

    >>> repeat_from("insulation, leak to outside")
    (<Retest.LEAK_OUTSIDE: 'leak to outside'>, <Retest.INSULATION: 'insulation'>)
    >>> repeat_from("none"), repeat_from("all") == tuple(Retest)
    ((), True)
    """
    words = {word.strip() for word in text.split(",")} - {""}
    if words in ({NONE}, {EVERY}):
        return tuple(Retest) if EVERY in words else ()
    unknown = words - {str(test) for test in Retest}
    if unknown or not words:
        raise Inconsistent(f"any of {', '.join(Retest)}, separated by commas; {EVERY}; or {NONE}")
    return tuple(test for test in Retest if test in words)
