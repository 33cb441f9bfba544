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
    names = [column for column in columns if _CHANNEL.search(column.name) and _repeats(column)]
    values = [column for column in columns if _VALUE.search(column.name) and column.is_number]
    values = [value for value in values if value not in names]
    if not names or len(values) != 1 or any(channel_number(column.name) for column in columns):
        return None
    return LongForm(names[0].heading, values[0].heading)


def _repeats(column: Column) -> bool:
    filled = [text for text in column.texts if text.strip()]
    kinds = set(filled)
    whole = all(text.strip().isdecimal() for text in kinds)
    is_name = whole or not column.is_number
    # Names of channels come again and again, values seldom: 6 in 10 is chosen, no source.
    return is_name and 1 < len(kinds) <= max(2, 0.6 * len(filled))


def channels_of(columns: Sequence[Column], long: LongForm, doubts: list[Doubt]) -> list[Column]:
    """Return the channels of the long form as if each were a column, and the other columns."""
    by_heading = {column.heading: column for column in columns}
    names, values = by_heading[long.channel_column], by_heading[long.value_column]
    kinds = list(dict.fromkeys(text.strip() for text in names.texts if text.strip()))
    are_cells = all(kind.isdecimal() for kind in kinds)
    columns_found = []
    for kind in kinds:
        name_and_unit = parted(kind)
        cell_rows = [
            (text, number)
            for name, text in zip(names.texts, values.texts, strict=True)
            if name.strip() == kind
            and (number := read_cell(text.replace(",", "."), ".")) is not None
        ]
        unit = name_and_unit.unit or (values.unit if are_cells else "")
        columns_found.append(
            Column(
                kind,
                f"cell {kind}" if are_cells else name_and_unit.name.casefold(),
                unit,
                tuple(text for text, _ in cell_rows),
                tuple(number for _, number in cell_rows),
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
    beside = [column for column in columns if column.heading not in {names.heading, values.heading}]
    return columns_found + beside
