"""What every entry is checked for: something given, not too long, within its range, not ahead."""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from typing import Annotated, Any, TypeVar

from pydantic import (
    AwareDatetime,
    BaseModel,
    ConfigDict,
    ValidatorFunctionWrapHandler,
    WrapValidator,
)
from pydantic import Field as ModelField

from service.platform.arithmetic.dates import in_words, parse_partial, span_of
from service.platform.arithmetic.fields import Asks, Field
from service.platform.audit import Change
from service.platform.errors import Refused

SHORT_MOST = 200
LONG_MOST = 4000
CLOCKS_DIFFER = timedelta(minutes=5)
MOST_HOURS = 10_000_000
Entry = TypeVar("Entry")
EARLIEST = datetime(1900, 1, 1, tzinfo=UTC)
Words = Annotated[str, ModelField(max_length=LONG_MOST)]
Name = Annotated[str, ModelField(min_length=1, max_length=SHORT_MOST)]


@dataclass(frozen=True, slots=True)
class Stored:
    """A file that lies on disk under its hash, with what was found in its content."""

    content_sha256: str
    media_type: str
    size_bytes: int
    name: str


def _known_time(value: Any, handler: ValidatorFunctionWrapHandler) -> datetime:
    partial = parse_partial(value) if isinstance(value, str) else None
    return partial or handler(value)


KnownTime = Annotated[AwareDatetime, WrapValidator(_known_time)]
"""A time with its zone, or what is known of its date: 1998, 1998-05, 1998-05-12."""


class In(BaseModel):
    """Parent of everything sent as JSON: unknown fields are refused, so that no slip is lost."""

    model_config = ConfigDict(extra="forbid", allow_inf_nan=False)


def words(field: str, text: str, right_would_be: str, *, most: int = SHORT_MOST) -> str:
    """Return the text without surrounding space.

    Refused where it is empty, too long or not printable.
    """
    return optional_words(field, text, most=most) or _nothing(field, right_would_be)


def optional_words(field: str, text: str, *, most: int = SHORT_MOST) -> str:
    """Return the text without surrounding space, which may be empty."""
    stripped = text.strip()
    if len(stripped) > most:
        raise Refused(
            field,
            stripped[:60] + "…",
            f"it has {len(stripped)} characters.",
            f"At most {most} fit here.",
        )
    for sign in stripped:
        if not sign.isprintable() and not (most > SHORT_MOST and sign in "\r\n\t"):
            raise Refused(
                field,
                stripped.replace(sign, "\N{REPLACEMENT CHARACTER}"),
                f"it holds a sign that cannot be printed (U+{ord(sign):04X}).",
                "Letters, digits and signs of a keyboard would be right.",
            )
    return stripped


def reason(text: str, *, field: str = "reason") -> str:
    """Say why something is done: asked for and kept in the trail."""
    return words(field, text, "One sentence on why would be right.", most=LONG_MOST)


def _nothing(field: str, right_would_be: str) -> str:
    raise Refused(field, "", "nothing is given.", right_would_be)


def above_zero(field: str, number: float | None, unit: str) -> float | None:
    """Return a number above zero, or None."""
    if number is not None and not 0 < number < float("inf"):
        raise Refused(field, number, "it is not above zero.", f"A number above 0\u2009{unit}.")
    return number


def not_below_zero(field: str, number: float | None, unit: str) -> float | None:
    """Return zero or more, or None; of hours no more than MOST_HOURS."""
    if number is not None and not 0 <= number < float("inf"):
        raise Refused(field, number, "it is below zero.", f"0\u2009{unit} or more would be right.")
    if number is not None and unit == "h" and number > MOST_HOURS:
        most = f"At most {MOST_HOURS}\u2009h would be right."
        raise Refused(field, number, "no meter has run for a thousand years.", most)
    return number


def within(field: Field, number: float | None) -> float | None:
    """Return a number in the range of its field, or None."""
    if number is None:
        return None
    is_enough = number > field.least if field.above else number >= field.least
    if math.isfinite(number) and is_enough and number <= field.most:
        return number
    reason = "it is out of range." if math.isfinite(number) else "it is no number."
    beyond, unit = "more than " * field.above, f"\u2009{field.unit}" if field.unit else ""
    right = f"{beyond}{field.least:g} to {field.most:g}{unit} would be right."
    if math.isinf(field.least):
        right = f"Such as {field.example}."
    raise Refused(field.name, f"{number:g}", reason, right)


def not_ahead(field: str, when: datetime | None, now: datetime) -> datetime | None:
    """Return a time that has come, allowing for clocks that differ a little; or None.

    A time before 1900 comes from a clock that was never set.
    """
    if when is not None and when < EARLIEST:
        raise Refused(
            field, f"{when:%Y-%m-%d %H:%M}", "it lies before 1900.", "The time it was, by a clock."
        )
    if when is not None and span_of(when).begins > now + CLOCKS_DIFFER:
        raise Refused(field, in_words(when), "it lies ahead.", "A time up to now would be right.")
    return when


def checked(entry: Entry, described: Sequence[Field], now: datetime) -> Entry:
    """The entry with each described field as it is kept; Refused where one cannot be.

    Words lose the space around them, numbers lie in their range, days but those of an expiry have
    come.
    """
    values: Any = entry
    values_kept = {
        field.name: _checked(field, getattr(entry, field.name), now) for field in described
    }
    kept_entry: Entry = replace(values, **values_kept)
    return kept_entry


def refusals(entry: object, described: Sequence[Field], now: datetime) -> list[Refused]:
    """Return why described fields of an entry cannot be kept, each at its field."""
    wrong: list[Refused] = []
    for field in described:
        try:
            _checked(field, getattr(entry, field.name), now)
        except Refused as refusal:
            wrong.append(refusal)
    return wrong


def _checked(field: Field, value: Any, now: datetime) -> Any:
    match field.asks:
        case Asks.WORDS | Asks.SERIAL | Asks.NOTES:
            text = optional_words(field.name, value or "", most=field.longest)
            return text or (_nothing(field.name, field.right) if field.required else "")
        case Asks.NUMBER | Asks.WHOLE if math.isinf(field.least) or math.isfinite(field.most):
            return within(field, value)
        case Asks.NUMBER | Asks.WHOLE:
            bounded = above_zero if field.above else not_below_zero
            return bounded(field.name, value, field.unit)
        case Asks.DAY | Asks.MOMENT if not field.ahead:
            return not_ahead(field.name, value, now)
        case _:
            return value


def trail_of(described: Sequence[Field], before: object, after: object) -> list[Change]:
    """Return what differs of a thing's described fields, by their names in the trail.

    ``before`` None: the thing was not there.
    """
    triples = (
        (field.in_trail, getattr(before, field.name, None), getattr(after, field.name))
        for field in described
    )
    return [(name, was, now) for name, was, now in triples if was != now]
