"""Tap maps of stacks: which voltage channel reads which cell, and from when on."""

from datetime import datetime
from typing import Annotated, Any

from fastapi import APIRouter, Path
from pydantic import Field

from service.platform.api import answers
from service.platform.api.callers import Call, Caller, Database, make_once
from service.platform.api.request_models import In, Why, asks
from service.platform.database import reading
from service.platform.permissions import Act, need
from service.stacks.queries.stacks import find_stack
from service.store.queries.proposals import proposals_waiting
from service.store.tables import ChangeKind
from service.taps.arithmetic import MOST_CHANNELS, TAP_MAP_FIELDS, Tap
from service.taps.changes import correct_tap_map, withdraw_tap_map, write_tap_map
from service.taps.queries import WrittenMap, maps_of_stack

router = APIRouter(tags=["taps"])
TapMapNumber = Annotated[int, Path(ge=1, le=2**53)]


class TapSent(In):
    """One channel and the cell it reads; null where its lead is on no cell."""

    channel: int = Field(ge=1, le=MOST_CHANNELS)
    cell: int | None = Field(ge=1, le=MOST_CHANNELS)


@asks(TAP_MAP_FIELDS)
class TapMapSent(In):
    """A map of all channels, valid from a time on."""

    channels: list[TapSent] = Field(min_length=1, max_length=MOST_CHANNELS)


def _facts(body: TapMapSent) -> dict[str, Any]:
    cell_of = {tap.channel: tap.cell for tap in body.channels}
    return body.model_dump(exclude={"channels"}) | {"cell_of": cell_of}


@answers.like(WrittenMap, without="stack_id tap_map")
class TapMap(answers.Out):
    """One map as it was written; ``known_until`` null: it holds."""

    valid_from: datetime
    until: datetime | None = Field(description="when the next map begins")
    channels: list[Tap] = answers.read_from("tap_map.taps")


class TapMaps(answers.Out):
    """Every map of a stack, the newest beginning first, corrected ones too."""

    serial: str
    maps: list[TapMap]
    waiting: list[int] = Field(description="proposals which somebody else has to approve")


@router.get("/stacks/{serial}/taps")
def taps(serial: str, caller: Caller, engine: Database) -> TapMaps:
    """Say which channel reads which cell of the stack, from when to when, and what was thought.

    Without a map each channel is taken to read the cell of its number.
    """
    need(caller, Act.READ)
    with reading(engine) as session:
        stack_id = find_stack(session, serial)
        maps = maps_of_stack(session, stack_id)
        waiting = [each.id for each in proposals_waiting(session, ChangeKind.TAP_MAP, stack_id)]
    return TapMaps.model_validate({"serial": serial, "maps": maps, "waiting": waiting})


@router.post("/stacks/{serial}/taps", status_code=201)
def write(serial: str, body: TapMapSent, call: Call) -> answers.Made:
    """Say which cell each channel reads from a time on.

    Where voltages were read since, the number is that of a proposal, as with the two below.
    """
    return make_once(
        call, lambda work: write_tap_map(work, find_stack(work.session, serial), **_facts(body))
    )


@router.post("/tap-maps/{tap_map_id}/correction", status_code=201)
def correct(tap_map_id: TapMapNumber, body: TapMapSent, call: Call) -> answers.Made:
    """Write the right map in place of a wrong one; every voltage of its time is read anew."""
    return make_once(call, lambda work: correct_tap_map(work, tap_map_id, **_facts(body)))


@router.post("/tap-maps/{tap_map_id}/taking-back", status_code=201)
def take_back(tap_map_id: TapMapNumber, body: Why, call: Call) -> answers.Made:
    """Take a map back that never was true."""
    return make_once(call, lambda work: withdraw_tap_map(work, tap_map_id, reason=body.reason))
