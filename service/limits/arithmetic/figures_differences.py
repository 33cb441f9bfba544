"""The figures of a design as rows to be read, and what differs between two versions of them.

Common practice, no source.
"""

from dataclasses import dataclass

from service.limits.arithmetic.figures import DesignFigures
from service.limits.arithmetic.figures_fields import FIELDS
from service.limits.arithmetic.figures_form import to_form
from service.platform.arithmetic.fields import Field

NONE_GIVEN = DesignFigures()


@dataclass(frozen=True, slots=True)
class FigureRow:
    """One figure or word that is given; ``shown`` with its unit."""

    field: Field
    shown: str


@dataclass(frozen=True, slots=True)
class FigureChange:
    """One figure that differs; an empty ``before`` or ``after``: not given there."""

    field: Field
    before: str
    after: str

    @property
    def in_words(self) -> str:
        """The change as one line."""
        label = f"{self.field.section}: {self.field.label}"
        if not self.before:
            return f"{label}, {self.after} is new."
        if not self.after:
            return f"{label}, {self.before} is left out."
        return f"{label}, {self.before} becomes {self.after}."


def figure_rows(figures: DesignFigures) -> tuple[FigureRow, ...]:
    """Return everything that is given, in the order it is asked for.

    >>> figure_rows(DesignFigures())
    ()
    """
    texts = to_form(figures)
    return tuple(
        FigureRow(field, shown(field, texts[field.name])) for field in FIELDS if texts[field.name]
    )


def differences(before: DesignFigures | None, after: DesignFigures) -> tuple[FigureChange, ...]:
    """Return what differs between two versions, figure by figure."""
    was, now = to_form(before or NONE_GIVEN), to_form(after)
    return tuple(
        FigureChange(field, shown(field, was[field.name]), shown(field, now[field.name]))
        for field in FIELDS
        if was[field.name] != now[field.name]
    )


def shown(field: Field, text: str) -> str:
    """Return what was typed as it is read: a number with its unit, or words.

    >>> from service.platform.arithmetic.fields import Asks
    >>> shown(Field("a", "Gap", Asks.NUMBER, unit="mm"), "1.1250")
    '1.125\u2009mm'
    """
    if not text or not field.is_number:
        return text
    number = f"{float(text):.12g}".replace("-", "\N{MINUS SIGN}", int(text.startswith("-")))
    return f"{number}\u2009{field.unit}" if field.unit else number
