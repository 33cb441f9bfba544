"""What a person says of an MEA, and the grounds it rests on. Three words that stay apart.

Common practice, no source: a failed MEA met its end by a reading or a finding; a suspected one was
taken out, or is watched, before anything was shown; one at the end of its life served it out.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum


class MeaWord(StrEnum):
    """What a person says of an MEA; only the first counts as failing."""

    FAILED = "failed"
    SUSPECTED = "suspected"
    END_OF_LIFE = "end of life"

    @property
    def holds(self) -> bool:
        """Say whether it puts the MEA on hold: the end of life asks for a basis of further use."""
        return self is not MeaWord.END_OF_LIFE


class GroundKind(StrEnum):
    """What a word rests on."""

    VOLTAGE = "voltage"
    HOURS = "hours"
    CROSSOVER = "crossover"
    SHORT = "short"
    LEAK = "leak"
    FINDING = "finding"


@dataclass(frozen=True, slots=True)
class GroundRead:
    """What a test or a finding says of an MEA, to be judged by a rule.

    ``what``: the path a leak takes, or the code of a finding. Between ``low`` and ``high`` in the
    unit of its criterion, of ``cells`` cells together (0: not known); a finding's severity, None
    where nobody judged it. ``set_up`` of a leak test; ``is_bound``: other paths are in it.
    ``words`` and ``address`` say where it was read; ``key`` names it as the ground of a word.
    """

    what: str
    low: float | None
    high: float | None
    words: str
    address: str
    key: str
    cells: int = 1
    set_up: int = 0
    is_bound: bool = False


def words_apart(counts: Mapping[MeaWord, int]) -> str:
    """Count the MEAs with another word than “failed”; empty where there are none.

    >>> words_apart({MeaWord.SUSPECTED: 2, MeaWord.END_OF_LIFE: 1})
    '2 suspected and 1 at the end of life count as not failed'
    """
    names = {MeaWord.SUSPECTED: "suspected", MeaWord.END_OF_LIFE: "at the end of life"}
    said = [f"{counts[word]} {name}" for word, name in names.items() if counts.get(word)]
    return f"{' and '.join(said)} count as not failed" if said else ""
