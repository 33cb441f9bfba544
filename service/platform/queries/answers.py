"""Rows read by name: columns are selected, and rows taken apart, by the fields of their answer.

    LOTS = select(*columns(LotFacts, Lot, PartType, type_name=PartType.name))
    lots = [read_as(LotFacts, row) for row in session.execute(LOTS)]

A field is the attribute of that name of the first table that has one, or what is said for it.
"""

from collections import defaultdict
from collections.abc import Callable, Iterable
from dataclasses import fields
from functools import cache
from operator import itemgetter
from typing import Any, TypeVar

Answer = TypeVar("Answer")


def columns(answer: Callable[..., Any], /, *tables: Any, **expressions: Any) -> tuple[Any, ...]:
    """Return the columns of an answer's fields in their order, each under the field's name.

    Fields no table has and nothing is said for are left out: `read_as` is given them. Raises
    TypeError for an expression the answer has no field for.
    """
    names = fields_of(answer)
    if unknown := expressions.keys() - set(names):
        raise TypeError(f"{answer} has no field {', '.join(sorted(unknown))}")
    result_columns = []
    for name in names:
        if name in expressions:
            result_columns.append(expressions[name].label(name))
        elif table := next((each for each in tables if hasattr(each, name)), None):
            result_columns.append(getattr(table, name))
    return tuple(result_columns)


def read_as(answer: Callable[..., Answer], row: Any, /, **more_values: Any) -> Answer:
    """Return the answer a row tells; fields not in the row are given.

    Raises KeyError for a field that is in neither.
    """
    if not more_values:
        return answer(*_getter(answer)(row._mapping))
    mapping = row._mapping
    return answer(
        **more_values,
        **{name: mapping[name] for name in fields_of(answer) if name not in more_values},
    )


def read_all(answer: Callable[..., Answer], rows: Iterable[Any]) -> tuple[Answer, ...]:
    """Return the answer each row of one statement tells.

    Raises ValueError for a field that is not in them.
    """
    row_list = list(rows)
    if not row_list:
        return ()
    # Names are looked up once and not in each row: lists have thousands of them.
    names = list(row_list[0]._mapping)
    take = itemgetter(*map(names.index, fields_of(answer)))
    return tuple(answer(*take(row)) for row in row_list)


def grouped(rows: Iterable[Answer], key: str) -> defaultdict[Any, list[Answer]]:
    """Return the rows by one of their columns."""
    return grouped_as(rows, key, lambda row: row)


def grouped_as(
    rows: Iterable[Any], key: str, answer: Callable[[Any], Answer]
) -> defaultdict[Any, list[Answer]]:
    """Return the answer made of each row by one of the rows' columns."""
    groups: defaultdict[Any, list[Answer]] = defaultdict(list)
    for row in rows:
        groups[getattr(row, key)].append(answer(row))
    return groups


@cache
def fields_of(answer: Any) -> tuple[str, ...]:
    """Return the names of an answer's fields, in their order."""
    if issubclass(answer, tuple):  # a NamedTuple
        return tuple(answer._fields)
    return tuple(field.name for field in fields(answer))


@cache
def _getter(answer: Any) -> Any:
    """Take all fields out of a row at once; every answer has two fields at least."""
    return itemgetter(*fields_of(answer))
