"""Answers of a calculator, read; and how one is refused.

Common practice, no source.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field

from service.platform.arithmetic.errors import TradeError
from service.platform.arithmetic.pressures import Pressure, Zero
from service.platform.arithmetic.units import UnitEntry

FILL_IN = "This has to be filled in."


@dataclass(frozen=True, slots=True)
class Refusal:
    """An answer that cannot be taken: the field (empty where it is no single one), what was typed,
    why, and what would be right. ``together`` are all fields that contradict each other.
    """

    field: str
    value: str
    reason: str
    right_would_be: str = ""
    is_missing: bool = False
    together: tuple[str, ...] = ()

    @property
    def in_words(self) -> str:
        """Reason and what would be right, as one sentence or two."""
        return f"{self.reason} {self.right_would_be}".strip()


class NotRead(TradeError):  # noqa: N818  # it says what happened
    """Some answers could not be taken."""

    is_placed = True

    def __init__(self, *refusals: Refusal) -> None:
        super().__init__(" ".join(refusal.in_words for refusal in refusals))
        self.refusals = refusals


Answer = UnitEntry | Pressure | float | str


@dataclass(frozen=True, slots=True)
class Answers:
    """What was typed, read. Asked for a field that was left out, `si` and `number` refuse it."""

    typed: Mapping[str, str]
    read: Mapping[str, Answer]
    asked: dict[str, None] = field(default_factory=dict)
    """the fields whose answers were used so far, in that order"""

    def has(self, name: str) -> bool:
        """Say whether the field was filled in."""
        if name not in self.read:
            return False
        self.asked[name] = None
        return True

    def need(self, *names: str) -> None:
        """Refuse those of the fields that were left out, all together."""
        missing = [name for name in names if not self.has(name)]
        if missing:
            raise NotRead(*(Refusal(name, "", FILL_IN, is_missing=True) for name in missing))

    def entry(self, name: str) -> UnitEntry:
        """Return a quantity with the unit it was given in."""
        self.need(name)
        answer = self.read[name]
        if not isinstance(answer, UnitEntry):
            raise TypeError(f"{name} is no quantity")
        return answer

    def si(self, name: str) -> float:
        """Return a quantity in its SI unit."""
        return self.entry(name).si

    def si_or(self, name: str, otherwise: float = 0.0) -> float:
        """Return a quantity in its SI unit, or what holds where it was left out."""
        return self.si(name) if self.has(name) else otherwise

    def number(self, name: str) -> float:
        """Return a plain number."""
        self.need(name)
        answer = self.read[name]
        if not isinstance(answer, float):
            raise TypeError(f"{name} is no number")
        return answer

    def number_or(self, name: str, otherwise: float = 0.0) -> float:
        """Return a plain number, or what holds where it was left out."""
        return self.number(name) if self.has(name) else otherwise

    def share_or(self, name: str, otherwise: float = 0.0) -> float:
        """Return a percentage as a share of 1."""
        return self.number_or(name, 100 * otherwise) / 100

    def count(self, name: str) -> int:
        """Return a whole number."""
        return int(self.number(name))

    def text(self, name: str) -> str:
        """Return the words, or the default choice."""
        return str(self.read.get(name, ""))

    def absolute(self, name: str, zero: Zero, barometer_pa: float) -> float:
        """Return a pressure in Pa absolute; ``zero`` holds where its text does not say."""
        self.need(name)
        answer = self.read[name]
        if not isinstance(answer, Pressure):
            raise TypeError(f"{name} is no pressure")
        try:
            return answer.absolute(barometer_pa, zero)
        except TradeError as trouble:
            words = str(trouble)
            raise self.refuse(name, f"{words[:1].upper()}{words[1:]}") from trouble

    def counts_from(self, name: str, zero: Zero) -> Zero:
        """Return what a pressure counts from: as its text says, else ``zero``."""
        answer = self.read[name]
        own_zero = answer.zero if isinstance(answer, Pressure) else Zero.NOT_SAID
        return zero if own_zero is Zero.NOT_SAID else own_zero

    def refuse(self, name: str, reason: str, right: str = "") -> NotRead:
        """Return the error to be raised where a field's answer does not fit the others."""
        return NotRead(Refusal(name, self.typed.get(name, ""), reason, right))
