"""Stacks: adding one, saying where it stands."""

from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import select

from service.designs.tables import Design
from service.platform.audit import Event
from service.platform.changes import LONG_MOST, not_ahead, not_below_zero, optional_words, words
from service.platform.database import Work
from service.platform.errors import Refused, Stale
from service.platform.permissions import Act, need
from service.stacks.changes.hours import fit_meter
from service.stacks.tables import Stack
from service.store.arithmetic.identifiers import serial_key

NO_SERIAL = "new"


@dataclass(frozen=True, slots=True)
class FirstMeter:
    """The hour meter a stack gets when it is added: what it showed, in h, and when."""

    hours: float = 0.0
    label: str = ""
    fitted_at: datetime | None = None


def add_stack(
    work: Work,
    *,
    serial: str,
    design_id: int,
    place: str = "",
    notes: str = "",
    meter: FirstMeter | None = FirstMeter(),
) -> int:
    """Add a stack made to a design, which is frozen from then on; give the stack's id.

    ``meter`` None: no hour meter is fitted yet. Raises Refused, NotFound.
    """
    need(work.by, Act.STACK_WRITE)
    stack, design = make_stack(
        work, serial=serial, design_id=design_id, place=place, notes=notes, meter=meter
    )
    work.note(
        Event.STACK_ADDED,
        ("stack", stack.id, stack.serial),
        [
            ("serial", None, stack.serial),
            ("design", None, f"{design.name} {design.revision}"),
            ("place", None, stack.place or None),
            ("notes", None, stack.notes or None),
            ("hour meter", None, None if meter is None else f"{meter.hours:g} h"),
        ],
        stack_id=stack.id,
    )
    return stack.id


def make_stack(
    work: Work,
    *,
    serial: str,
    design_id: int,
    place: str = "",
    notes: str = "",
    meter: FirstMeter | None = None,
) -> tuple[Stack, Design]:
    """Add a stack inside a larger change; the caller asks for leave and writes the trail."""
    serial = words("serial", serial, "The stack's serial number, as marked on it.", most=80)
    if serial_key(serial) == serial_key(NO_SERIAL):
        right = "The mark on the stack would be right."
        raise Refused("serial", serial, "the page for adding a stack is called so.", right)
    stack_there = work.session.scalar(
        select(Stack.serial).where(Stack.serial_key == serial_key(serial))
    )
    if stack_there is not None:
        raise Refused(
            "serial",
            serial,
            f"there is a stack {stack_there} already; case and surrounding space do not count.",
        )
    design = work.session.get(Design, design_id)
    if design is None:
        raise Refused("design_id", design_id, "there is no such design.", "Choose one of the list.")
    if design.frozen_at is None:
        design.frozen_at = work.now
    stack = Stack(
        serial=serial,
        serial_key=serial_key(serial),
        design_id=design_id,
        place=optional_words("place", place),
        notes=optional_words("notes", notes, most=LONG_MOST),
        added_at=work.now,
    )
    work.session.add(stack)
    work.session.flush()
    if meter is not None:
        fitted_at = meter.fitted_at or work.now
        not_ahead("meter_fitted_at", fitted_at, work.now)
        not_below_zero("meter_hours", meter.hours, "h")
        fit_meter(
            work,
            stack.id,
            1,
            first_hours=meter.hours,
            label=optional_words("meter_label", meter.label),
            fitted_at=fitted_at,
        )
    return stack, design


def change_stack(
    work: Work, stack_id: int, *, place: str, notes: str, as_shown: tuple[str, str] | None = None
) -> None:
    """Say where a stack stands and what is to be known of it.

    ``as_shown`` is (place, notes) as the form showed them; raises Stale where they have since
    changed.
    """
    need(work.by, Act.STACK_WRITE)
    stack = work.locked(Stack, stack_id, "stack")
    place = optional_words("place", place)
    notes = optional_words("notes", notes, most=LONG_MOST)
    if as_shown is not None and as_shown != (stack.place, stack.notes):
        was = [
            f"{field}: now “{now}”"
            for field, now, then in (
                ("place", stack.place, as_shown[0]),
                ("notes", stack.notes, as_shown[1]),
            )
            if now != then
        ]
        raise Stale(f"stack {stack.serial}", 0, 0, was)
    work.note(
        Event.STACK_CHANGED,
        ("stack", stack.id, stack.serial),
        [("place", stack.place, place), ("notes", stack.notes, notes)],
        stack_id=stack.id,
    )
    stack.place, stack.notes = place, notes
