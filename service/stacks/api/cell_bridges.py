"""Cells bridged or shorted in service: gas passes them, they carry no load."""

from datetime import datetime
from typing import Annotated

from fastapi import APIRouter, Path
from pydantic import Field

from service.platform.api import answers
from service.platform.api.callers import Call, Caller, Database, make_once
from service.platform.api.request_models import In, Why, asks
from service.platform.database import reading
from service.platform.permissions import Act, need
from service.stacks.arithmetic.stack_fields import BRIDGE_END_FIELDS, BRIDGE_FIELDS
from service.stacks.changes.cell_bridges import (
    BridgeEntry,
    correct_bridge,
    end_bridge,
    note_bridge,
    withdraw_bridge,
)
from service.stacks.queries.cell_bridges import WrittenBridge, bridges_of_stack
from service.stacks.queries.stacks import find_stack

router = APIRouter(tags=["taps"])
BridgeNumber = Annotated[int, Path(ge=1, le=2**53)]
Sentence = Annotated[str, Field(min_length=1, max_length=4000)]


@asks(BRIDGE_FIELDS)
class BridgeSent(In):
    """What is to be noted of a bridge; ``until_at`` null while the jumper is on."""


@asks(BRIDGE_FIELDS)
class BridgeCorrected(In):
    """What should have been noted, and why it was not."""

    why: Sentence


@asks(BRIDGE_END_FIELDS)
class BridgeEnded(In):
    """When the jumper was taken off."""


@answers.like(WrittenBridge, without="stack_id build_id")
class Bridge(answers.Out):
    """One bridge as it was noted; ``known_until`` null: it holds."""

    opened_at: datetime | None = Field(
        description="when the build was opened, which ends it at the latest"
    )
    stands: bool = Field(description="the cell is bridged now")


class Bridges(answers.Out):
    """Every bridge of a stack, newest first, corrected ones too."""

    serial: str
    bridges: list[Bridge]


@router.get("/stacks/{serial}/bridges")
def bridges(serial: str, caller: Caller, engine: Database) -> Bridges:
    """Say which cells of the stack are bridged, and which were."""
    need(caller, Act.READ)
    with reading(engine) as session:
        bridge_rows = bridges_of_stack(session, find_stack(session, serial))
    return Bridges.model_validate({"serial": serial, "bridges": bridge_rows})


@router.post("/stacks/{serial}/bridges", status_code=201)
def note(serial: str, noted: BridgeSent, call: Call) -> answers.Made:
    """Note a bridged cell.

    A jumper across a gas-fed cell short-circuits it: put it on and take it off with load and gas
    off, by the site's procedures.
    """
    entry = BridgeEntry(**noted.model_dump())
    return make_once(call, lambda work: note_bridge(work, find_stack(work.session, serial), entry))


@router.post("/bridges/{bridge_id}/end", status_code=201)
def end(bridge_id: BridgeNumber, noted: BridgeEnded, call: Call) -> answers.Made:
    """Say when the jumper was taken off."""
    return make_once(call, lambda work: end_bridge(work, bridge_id, **noted.model_dump()))


@router.post("/bridges/{bridge_id}/correction", status_code=201)
def correct(bridge_id: BridgeNumber, noted: BridgeCorrected, call: Call) -> answers.Made:
    """Write what should have been noted."""
    entry = BridgeEntry(**noted.model_dump(exclude={"why"}))
    return make_once(call, lambda work: correct_bridge(work, bridge_id, entry, why=noted.why))


@router.post("/bridges/{bridge_id}/taking-back", status_code=201)
def take_back(bridge_id: BridgeNumber, noted: Why, call: Call) -> answers.Made:
    """Take a bridge back that never was."""
    return make_once(call, lambda work: withdraw_bridge(work, bridge_id, why=noted.reason))
