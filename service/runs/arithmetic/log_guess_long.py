"""Logs with one value a row: the column that names the channel, and its channels: a guess."""

import re
from collections.abc import Sequence

from service.runs.arithmetic.log_columns import LongForm
from service.runs.arithmetic.log_guess_columns import Column, Doubt, read_cell
from service.runs.arithmetic.log_units import measure_of, parted
from service.taps.arithmetic import channel_number

_CHANNEL = re.compile(
    r"chan|kanal|signal|tag|variable|sensor|parameter|quantity|messgr|name|cell|zelle"
)
_VALUE = re.compile(r"value|wert|reading|valeur|valor|voltage|spannung")


def guess_long_form(columns: Sequence[Column]) -> LongForm | None:
    """Find out if there is one value a row, with a column that names its channel."""
    names = [one for one in columns if _CHANNEL.search(one.name) and _repeats(one)]
    values = [one for one in columns if _VALUE.search(one.name) and one.is_number]
    values = [one for one in values if one not in names]
    if not names or len(values) != 1 or any(channel_number(one.name) for one in columns):
        return None
    return LongForm(names[0].heading, values[0].heading)


def _repeats(column: Column) -> bool:
    filled = [text for text in column.texts if text.strip()]
    kinds = set(filled)
    whole = all(text.strip().isdecimal() for text in kinds)
    is_name = whole or not column.is_number
    return is_name and 1 < len(kinds) <= max(2, 0.6 * len(filled))


def channels_of(columns: Sequence[Column], long: LongForm, doubts: list[Doubt]) -> list[Column]:
    """Return the channels of the long form as if each were a column, and the other columns."""
    by_heading = {column.heading: column for column in columns}
    names, values = by_heading[long.channel_column], by_heading[long.value_column]
    kinds = list(dict.fromkeys(text.strip() for text in names.texts if text.strip()))
    are_cells = all(kind.isdecimal() for kind in kinds)
    found = []
    for kind in kinds:
        told = parted(kind)
        own = [
            (text, number)
            for name, text in zip(names.texts, values.texts, strict=True)
            if name.strip() == kind
            and (number := read_cell(text.replace(",", "."), ".")) is not None
        ]
        unit = told.unit or (values.unit if are_cells else "")
        found.append(
            Column(
                kind,
                f"cell {kind}" if are_cells else told.name.casefold(),
                unit,
                tuple(text for text, _ in own),
                tuple(number for _, number in own),
                measure_of(unit),
            )
        )
    doubts.append(
        Doubt(
            names.heading,
            f"Each row holds one value; {len(kinds)} channels stand in the first rows. One that"
            " comes later only is not seen here.",
        )
    )
    beside = [one for one in columns if one.heading not in {names.heading, values.heading}]
    return found + beside
