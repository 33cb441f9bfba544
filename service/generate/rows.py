"""Whole rows of an invented history: every column named, what is not said empty."""

from datetime import datetime
from typing import Any

from service.designs.arithmetic.pile import Layer
from service.platform.arithmetic.vocabulary import Usability, Whereabouts
from service.records.tables import Meaning
from service.store.arithmetic.identifiers import serial_key

Values = dict[str, Any]


def known(at: datetime) -> Values:
    """Return the pair of times for a row known from then on and never corrected."""
    return {"known_from": at, "known_until": None, "correction_id": None}


def stack(stack_id: int, serial: str, design_id: int, at: datetime) -> Values:
    """Return a stack, delivered."""
    return {
        "id": stack_id,
        "serial": serial,
        "serial_key": serial_key(serial),
        "design_id": design_id,
        "place": "generated",
        "notes": "",
        "added_at": at,
    }


def hour_meter(meter_id: int, stack_id: int, at: datetime) -> Values:
    """Return its first and only meter."""
    return {
        "id": meter_id,
        "stack_id": stack_id,
        "number": 1,
        "label": "",
        "fitted_at": at,
        "removed_at": None,
    }


def part(part_id: int, serial: str | None, stack_id: int, at: datetime, **facts: Any) -> Values:
    """Return a fitted part; ``facts`` names type, lot and, without a serial, its item."""
    return {
        "id": part_id,
        "serial": serial,
        "maker": "",
        "maker_key": "",
        "serial_key": serial_key(serial) if serial else None,
        "hours_before": 0.0,
        "whereabouts": Whereabouts.FITTED.value,
        "stack_id": stack_id,
        "place": "",
        "usability": Usability.ACCEPTED.value,
        "reserved_for_stack_id": None,
        "notes": "",
        "added_at": at,
        **facts,
    }


def record(
    record_id: int, stack_id: int, by_id: int, handed_in_at: datetime, **facts: Any
) -> Values:
    """Return a record as just before its content is frozen."""
    return {
        "id": record_id,
        "stack_id": stack_id,
        "state": "open",
        "written_by_id": by_id,
        "notes": "",
        "handed_in_at": handed_in_at,
        "handed_in_by_id": by_id,
        "content": None,
        "content_sha256": None,
        **facts,
    }


def step(step_id: int, record_id: int, at: datetime, by_id: int, **facts: Any) -> Values:
    """Return one entry of a record."""
    return {
        "id": step_id,
        "record_id": record_id,
        "end_": None,
        "part_id": None,
        "exposed_part_id": None,
        "facing": None,
        "rod_number": None,
        "standing": False,
        "whereabouts_before": None,
        "place_before": "",
        "scanned": None,
        "note": "",
        "done_at": at,
        "written_at": at,
        "by_id": by_id,
        "undone_at": None,
        "undone_by_id": None,
        **facts,
    }


def torque_reading(
    record_id: int, step_id: int, torque_nm: float, at: datetime, **facts: Any
) -> Values:
    """Return one reading, N·m."""
    return {
        "record_id": record_id,
        "step_id": step_id,
        "torque_nm": torque_nm,
        "entered": f"{torque_nm:g} N·m",
        "concession_id": None,
        "taken_at": at,
        "replaces_id": None,
        **known(at),
        **facts,
    }


def hour_reading(stack_id: int, meter_id: int, hours: float, at: datetime, **facts: Any) -> Values:
    """Return what the meter showed, h."""
    return {
        "stack_id": stack_id,
        "meter_id": meter_id,
        "hours": hours,
        "taken_at": at,
        "replaces_id": None,
        **known(at),
        **facts,
    }


def build_period(stack_id: int, build_id: int, closed_at: datetime, **facts: Any) -> Values:
    """Return the time a build was true; ``facts`` says since when that is known."""
    return {
        "stack_id": stack_id,
        "build_id": build_id,
        "closed_at": closed_at,
        "opened_at": None,
        "opened_by_record_id": None,
        "known_until": None,
        "correction_id": None,
        **facts,
    }


def layer(build_id: int, shape: Layer, at: datetime) -> Values:
    """Return one layer of a build."""
    return {
        "build_id": build_id,
        "position": shape.position,
        "part_id": shape.part,
        "facing": shape.facing.value,
        "cell": shape.cell,
        "present": False,
        **known(at),
    }


def fixing(build_id: int, part_id: int, at: datetime, **facts: Any) -> Values:
    """Return one fixing of a build; ``facts`` names its kind, and its rod or end."""
    return {
        "build_id": build_id,
        "part_id": part_id,
        "present": False,
        **known(at),
        **facts,
    }


def finding(record_id: int, step_id: int, part_id: int, **facts: Any) -> Values:
    """Return what was seen on a part."""
    return {
        "record_id": record_id,
        "step_id": step_id,
        "part_id": part_id,
        "where_": "",
        "note": "",
        **facts,
    }


def decision(record_id: int, person_id: int, name: str, at: datetime) -> Values:
    """Return a supervisor's signature; the hash comes with the content."""
    return {
        "record_id": record_id,
        "correction_id": None,
        "meaning": Meaning.APPROVED.value,
        "person_id": person_id,
        "person_name": name,
        "person_roles": "supervisor",
        "at": at,
        "content_sha256": None,
        "reason": "",
    }
