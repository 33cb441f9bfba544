"""What the form of an entry says: its fields, read as the facts the entry is made of."""

from collections.abc import Callable, Mapping
from datetime import datetime
from typing import Any

from service.bench.changes.entries import Entry, Fact, facts_of
from service.bench.queries.missing import KIT, NOT_DONE
from service.physics.arithmetic.conditions import STANDING_ALONE, FindingEntry
from service.platform.arithmetic.vocabulary import End
from service.platform.pages.forms import Form
from service.proof.pages.stack_tests import trace_from_file

MOST_SIGNS = 8000
AT_CORNER = "heights."
NO_TEXTS = frozenset(
    {
        *("version", "note", "done_at", "instrument_id", "thermometer_id", "meter_id"),
        *("stands", "outside_because", "trace"),
    }
)


def read_facts(form: Form, name: str, entry: Entry) -> dict[str, Any]:
    """Read what an entry is made of; what cannot be read stands in the form."""
    if name in ASKED_OTHERWISE:
        ASKED_OTHERWISE[name](form)
    facts = {fact.name: _read(form, fact) for fact in facts_of(entry.facts)}
    if "scanned" in facts and facts.get("lot_id"):
        facts["scanned"] = ""  # what is pressed comes after what was scanned, and refused
    return facts | dict(entry.also)


def _read(form: Form, fact: Fact) -> object:
    if fact.name in BY_NAME:
        return BY_NAME[fact.name](form)
    if fact.type is datetime:
        return form.moment(fact.name, required=False, partial=True)
    if fact.type is str and not fact.stands_for:
        most = int(fact.most or MOST_SIGNS)
        return form.reason(fact.name, required=fact.required, most=most)
    limits: dict[str, Any] = {} if fact.least is None else {"least": fact.least}
    limits |= {} if fact.most is None else {"most": fact.most}
    if fact.type is float:
        return form.number(fact.name, unit=fact.unit, required=fact.required, **limits)
    if fact.type is int or fact.stands_for:
        limits = {} if fact.stands_for else limits
        return form.whole(fact.name, required=fact.required, **limits)
    return form.choice(fact.name, fact.type, required=fact.required)


def _findings(form: Form) -> list[FindingEntry]:
    """Read what was ticked; severity, place and note are said of all that was ticked."""
    severity = form.whole("severity", most=3, required=False)
    where = form.text("where", required=False, most=200)
    detail = form.text("finding_note", required=False)
    face, places = form.text("face", required=False, most=60), form.raw_all("places")
    area = form.number("area_percent", unit="%", most=100, required=False)
    return [
        FindingEntry(condition)
        if condition in STANDING_ALONE
        else FindingEntry(condition, severity, where, detail, face, places, area)
        for condition in form.raw_all("condition")
        if condition
    ]


def _reasons(form: Form) -> dict[str, str]:
    """Read why each thing is not done; one press says the first reason of all that have none."""
    begins = f"{NOT_DONE}."
    names = [name for name in form.typed if name.startswith(begins)]
    reasons = {name.removeprefix(begins): form.reason(name, required=False) for name in names}
    of_work = {key: reason for key, reason in reasons.items() if not key.startswith(KIT)}
    first = next(filter(None, of_work.values()), "")
    if form.yes("same_reason"):
        reasons |= {key: reason or first for key, reason in of_work.items()}
        form.typed |= {f"{begins}{key}": (reason,) for key, reason in reasons.items()}
    return reasons


def _numbers(form: Form, name: str) -> list[int]:
    """Read the rows ticked in a list of boxes."""
    texts = form.raw_all(name)
    if any(not text.isdecimal() or len(text) > 15 for text in texts):
        form.refuse(name, "is not one of the choices.", "Choose from the list.")
        return []
    return [int(text) for text in texts]


def _texts(form: Form) -> dict[str, str]:
    """Give what was typed, field by field, as the trade reads it."""
    return {name: form.raw(name)[:MOST_SIGNS] for name in form.typed if name not in NO_TEXTS}


def _heights(form: Form) -> dict[str, float | None]:
    """Read the height typed at each corner."""
    names = [name for name in form.typed if name.startswith(AT_CORNER)]
    return {name.removeprefix(AT_CORNER): form.number(name, unit="mm") for name in names}


def _cell_values(form: Form) -> list[str]:
    """Give a value for each cell: the pasted list where there is one, else the cells' fields."""
    pasted = form.text("values", required=False, most=MOST_SIGNS)
    return [pasted] if pasted else list(form.raw_all("cell"))


def _at_place(form: Form) -> None:
    """Read the one choice of a fixing's place as its rod or its end."""
    place = form.text("place")
    is_end = place in tuple(End)
    form.typed["end"] = (place,) if is_end else ()
    form.typed["rod_number"] = (place,) if place.isdecimal() and len(place) < 4 else ()


BY_NAME: Mapping[str, Callable[[Form], object]] = {
    "condition": lambda form: form.one_of("condition", STANDING_ALONE),
    "passed": lambda form: form.one_of("passed", ("yes", "no")) == "yes",
    "findings": _findings,
    "heights": _heights,
    "not_done": _reasons,
    "part_ids": lambda form: _numbers(form, "part_ids"),
    "rod_numbers": lambda form: _numbers(form, "rod_numbers"),
    "typed": _texts,
    "values": _cell_values,
}
"""Facts a form asks for by several fields, by a list, or by one field ticked several times."""
ASKED_OTHERWISE: Mapping[str, Callable[[Form], None]] = {
    "fit-fixing": _at_place,
    "leak-test": trace_from_file,
}
"""Entries whose form has a field of its own, put into those the entry knows."""
