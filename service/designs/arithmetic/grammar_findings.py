"""What can be found wrong with a pile and its parts, and how much it weighs."""

from dataclasses import dataclass
from enum import StrEnum

from service.platform.arithmetic.vocabulary import Side


class Severity(StrEnum):
    """What a finding means for handing in the record."""

    BLOCKS = "blocks hand-in"
    CONCESSION = "needs a concession"
    REMARK = "remark"


class Wrong(StrEnum):
    """What is wrong."""

    MISSING = "missing"
    EXTRA = "one too many"
    TURNED = "turned round"
    SWAPPED = "changed places"
    TYPE = "another type"
    JOINT = "gasket of another joint"
    NO_CHANNEL = "no channel"
    TWO_CHANNELS = "channels on both backs"
    BACK = "another back"
    SIDE = "half plate of the other side"
    NO_BLANK = "blank cell where none may stand"
    FOREIGN = "foreign part"
    TOO_MANY_CELLS = "too many cells"
    TOO_FEW_CELLS = "too few cells"
    FACING_UNKNOWN = "facing not noted"
    MIXED_LOTS = "mixed lots"
    NO_SLEEVE = "sleeve missing"
    NO_FIXING = "fixing missing"
    ON_HOLD = "on hold"
    NOT_ACCEPTED = "not accepted"
    FAILING = "failed, suspected or at the end of its life"
    RULE_MET = "meets the rule for failing"
    PAST_SHELF_LIFE = "past its shelf life"
    PAST_OPENINGS = "past its opening limit"
    PAST_HOURS = "past its hours"
    NOT_RENEWED = "fitted again, to be renewed at every opening"
    REVISION = "wrong design revision"
    BEYOND_ACCEPTANCE = "beyond what it was accepted for"


SEVERITIES = {
    Wrong.TYPE: Severity.CONCESSION,
    Wrong.NO_BLANK: Severity.CONCESSION,
    Wrong.TOO_MANY_CELLS: Severity.CONCESSION,
    Wrong.TOO_FEW_CELLS: Severity.CONCESSION,
    Wrong.FACING_UNKNOWN: Severity.CONCESSION,
    Wrong.MIXED_LOTS: Severity.CONCESSION,
    Wrong.NOT_ACCEPTED: Severity.CONCESSION,
    Wrong.ON_HOLD: Severity.CONCESSION,
    Wrong.FAILING: Severity.CONCESSION,
    Wrong.RULE_MET: Severity.CONCESSION,
    Wrong.PAST_SHELF_LIFE: Severity.CONCESSION,
    Wrong.PAST_OPENINGS: Severity.CONCESSION,
    Wrong.PAST_HOURS: Severity.CONCESSION,
    Wrong.NOT_RENEWED: Severity.CONCESSION,
    Wrong.REVISION: Severity.CONCESSION,
    Wrong.BEYOND_ACCEPTANCE: Severity.CONCESSION,
}
"""What a finding weighs unless its check says otherwise; all others block the hand-in."""

SIDE_WORDS = {Side.FUEL: "anode side", Side.AIR: "cathode side", None: ""}


def severity_of(wrong: Wrong) -> Severity:
    """Return the weight of a finding of this kind."""
    return SEVERITIES.get(wrong, Severity.BLOCKS)


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing wrong, in words a builder can act upon.

    ``positions`` are layers of the pile: for a missing part the two it belongs between.
    ``side`` is "anode side", "cathode side" or empty; ``mend`` says what would put it right.
    """

    wrong: Wrong
    positions: tuple[int, ...]
    cell: int | None
    side: str
    sentence: str
    mend: str
    severity: Severity


def found(
    wrong: Wrong,
    sentence: str,
    mend: str,
    *,
    positions: tuple[int, ...] = (),
    cell: int | None = None,
    side: str = "",
    severity: Severity | None = None,
) -> Finding:
    """Return a finding with its usual severity, its place told in brackets behind the sentence."""
    place = ", ".join(part for part in (f"cell {cell}" if cell else "", side) if part)
    return Finding(
        wrong,
        positions,
        cell,
        side,
        f"{sentence} ({place})" if place else sentence,
        mend,
        severity or severity_of(wrong),
    )
