"""Bench paper: sheets to fill in by hand, and one page on which they are entered afterwards.

Machines need no route of their own: each line is an entry, and the routes of entries take it with
the time it was done.
"""

import re
from collections.abc import Mapping
from dataclasses import dataclass

from fastapi import APIRouter, Request, Response
from markupsafe import Markup
from sqlalchemy import Engine

from service.bench.changes.entries import ENTRIES
from service.bench.pages.entry_forms import read_facts
from service.bench.pages.paper_lines import OnSheet, Paper, PaperLine, Section, paper_of, sheets
from service.people.pages.signing_in import Database, Me
from service.platform.database import changing, reading
from service.platform.drawings.codes import draw_code
from service.platform.errors import Repeated
from service.platform.pages.forms import ENTRY_KEY, Asked, Form, Typed, blank
from service.platform.pages.render import go_on, page
from service.platform.permissions import Act, Person, need

router = APIRouter(prefix="/records/{record_id}/paper")
CELL = "cell-"
"""What the name of a cell's value begins with on paper; its number follows."""


@dataclass(frozen=True, slots=True)
class PaperSheets:
    """The sheets; ``code`` is a 2D code with the record's address."""

    paper: Paper
    sheets: tuple[tuple[OnSheet, ...], ...]
    code: Markup
    prints: bool
    """whether the page was asked for to be printed at once"""


@dataclass(frozen=True, slots=True)
class LateEntry:
    """The page on which paper is entered. ``answers`` are forms of lines that were refused."""

    paper: Paper
    form: Form
    answers: Mapping[str, Form]
    entered: tuple[PaperLine, ...]


@router.get("")
def show(request: Request, me: Me, database: Database, query: Asked, record_id: int) -> Response:
    """Show what a record asks for as sheets to be printed."""
    need(me, Act.READ)
    with reading(database) as session:
        paper = paper_of(session, record_id, by_click=_is_by_click(query))
    address = f"{request.base_url}records/{record_id}"
    code = draw_code(address, f"Code of record {record_id}")
    prints = query.yes("print")
    paper_sheets = PaperSheets(paper, sheets(paper.sections), Markup(code), prints)  # noqa: S704
    return page(request, "bench/paper/sheets.html", paper_sheets)


@router.get("/enter")
def show_entry(
    request: Request, me: Me, database: Database, query: Asked, record_id: int
) -> Response:
    """Show the page on which paper is entered."""
    need(me, Act.RECORD_WRITE)
    with reading(database) as session:
        paper = paper_of(session, record_id, by_click=_is_by_click(query))
    head = paper.view.head
    if not head.is_being_written:
        return go_on(request, f"/records/{record_id}")
    begun = blank(request, began=head.performed_from)
    for section in paper.sections:
        for write in section.common:
            only = str(write.choices[0][0]) if len(write.choices) == 1 else ""
            begun.typed[f"{section.key}.{write.name}"] = (write.begins_with or only,)
    return page(request, "bench/paper/enter.html", LateEntry(paper, begun, {}, ()))


@router.post("/enter")
def enter(request: Request, me: Me, database: Database, form: Typed, record_id: int) -> Response:
    """Enter every line that is filled in, each by itself; keep what was refused with its words."""
    need(me, Act.RECORD_WRITE)
    with reading(database) as session:
        paper = paper_of(session, record_id, by_click=_is_by_click(form))
    if not paper.view.head.is_being_written:
        return go_on(request, f"/records/{record_id}")
    began = form.moment("began", required=True, partial=True)
    answers: dict[str, Form] = {}
    entered: list[PaperLine] = []
    for section in paper.sections:
        for line in section.lines:
            if (
                began is None
                or line.is_done
                or not line.entry
                or not _is_filled(form, section, line)
            ):
                continue
            line_form = _line_form(form, section, line)
            if _is_entered(line_form, database, me, record_id, line):
                entered.append(line)
                _forget(form, line)
            else:
                answers[line.key] = line_form
    if entered:  # an empty line may be filled in again: under the key sent it would count as made
        form.typed.pop(ENTRY_KEY, None)
    with reading(database) as session:
        paper = paper_of(session, record_id, by_click=_is_by_click(form))
    late_entry = LateEntry(paper, form, answers, tuple(entered))
    refused = bool(answers) or form.is_refused
    return page(request, "bench/paper/enter.html", late_entry, 422 if refused else 200)


def _is_by_click(typed: Form) -> bool:
    return typed.raw("tool") == "click"


def _is_filled(form: Form, section: Section, line: PaperLine) -> bool:
    """Say whether anything is written in a line, or in those that belong to its entry."""
    lines = [each for each in section.lines if each.fields == line.key]
    return any(
        form.raw(f"{line.key}.{write.name}").strip() for each in lines for write in each.writes
    )


def _line_form(form: Form, section: Section, line: PaperLine) -> Form:
    """The form of one line, as the bench's own form of that entry would be sent."""
    texts: dict[str, tuple[str, ...]] = {name: (value,) for name, value in line.facts.items()}
    for write in section.common:
        texts[write.name] = (form.raw(f"{section.key}.{write.name}"),)
    start = f"{line.key}."
    texts |= {
        name.removeprefix(start): values
        for name, values in form.typed.items()
        if name.startswith(start)
    }
    if texts.pop("planned", ("",))[0] and not texts.get("scanned", ("",))[0].strip():
        texts |= {name: (value,) for name, value in line.planned.items()}
    if cells := [name for name in texts if name.startswith(CELL)]:
        values = {int(name.removeprefix(CELL)): texts.pop(name)[0] for name in cells}
        texts["cell"] = tuple(values.get(cell, "") for cell in range(1, max(values) + 1))
    if "places" in texts:
        texts["places"] = tuple(re.split(r"[\s,;]+", texts["places"][0].strip().upper()))
    texts[line.time] = (_moment(form.raw("began"), texts.pop("at", ("",))[0]),)
    texts[ENTRY_KEY] = (f"{form.raw(ENTRY_KEY)[:36]}.{line.key}"[:80],)
    return Form(texts, zone=form.zone, sent_to=form.sent_to)


def _moment(began: str, at: str) -> str:
    """The day the work began with the line's own time; a whole date and time stays as it is."""
    at = at.strip()
    if not at:
        return began
    return at if len(at) > len("14:20") else f"{began.strip()[:10]} {at}"


def _is_entered(form: Form, database: Engine, me: Person, record_id: int, line: PaperLine) -> bool:
    entry = ENTRIES[line.entry]
    with form.collecting_errors():
        facts = read_facts(form, line.entry, entry)
        try:
            with changing(database, me, key=form.key) as work:
                work.answer = f"/records/{record_id}/paper/enter"
                entry.make(work, record_id, None, **facts)
        except Repeated:
            pass  # sent twice: it stands already
        return True
    return False


def _forget(form: Form, line: PaperLine) -> None:
    """Leave the fields of a line that was entered empty."""
    for name in [name for name in form.typed if name.startswith(f"{line.key}.")]:
        form.typed.pop(name)
