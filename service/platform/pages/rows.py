"""Rows of a form: as many as somebody fills in, each with the same fields.

A row left empty does not count. “More rows” shows the form again with further empty ones.
"""

from collections.abc import Sequence
from dataclasses import replace

from service.platform.arithmetic.fields import Asks, Field
from service.platform.arithmetic.numbers import plain_whole
from service.platform.pages.forms import Form

SPARE_ROWS = 4
MOST_ROWS = 60


def row_fields(kind: str, number: int, fields: Sequence[Field]) -> tuple[Field, ...]:
    """Return the fields of one row, by the names they have in the form."""
    return tuple(replace(field, name=f"{kind}_{number}_{field.name}") for field in fields)


def rows_shown(form: Form, kind: str) -> int:
    """Say how many rows of a kind a form shows: those sent, or those begun with."""
    return min(plain_whole(form.raw(f"{kind}_rows")) or 0, MOST_ROWS)


def show_more(form: Form, kind: str) -> None:
    """Let the form show more empty rows of a kind."""
    more = min(rows_shown(form, kind) + SPARE_ROWS, MOST_ROWS)
    form.typed[f"{kind}_rows"] = (str(more),)


def closed_up(form: Form, kind: str, fields: Sequence[Field]) -> int:
    """Move rows into the place of empty ones, so that fields and refusals stay together.

    Gives how many there are. A choice may be left over from a row that was emptied.
    """
    counting = [of.name for of in fields if of.required and of.asks is not Asks.CHOICE]
    count = 0
    for row in range(1, rows_shown(form, kind) + 1):
        if not any(form.raw(f"{kind}_{row}_{name}").strip() for name in counting):
            continue
        count += 1
        for of in fields if row != count else ():
            moved = form.typed.pop(f"{kind}_{row}_{of.name}", ("",))
            form.typed[f"{kind}_{count}_{of.name}"] = moved
    return count


def rows_begun(
    kind: str, rows: Sequence[object], fields: Sequence[Field], *, spare: int = 0
) -> dict[str, object]:
    """Return what a form begins with that shows these rows, and ``spare`` empty ones."""
    form: dict[str, object] = {f"{kind}_rows": max(len(rows) + spare, SPARE_ROWS)}
    for number, row in enumerate(rows, 1):
        form |= {f"{kind}_{number}_{field.name}": getattr(row, field.name) for field in fields}
    return form
