"""Stacks, their layer maps and their hour meters."""

from typing import Annotated

from fastapi import APIRouter, Query
from pydantic import Field

from service.limits.queries import limits_in_force
from service.platform.api import answers, request_models
from service.platform.api.callers import Asked, Call, Caller, Database, make_once
from service.platform.database import reading
from service.platform.permissions import Act, need
from service.platform.queries.lists import from_keys
from service.records.changes.deviations import Stands
from service.records.queries.content import verify
from service.stacks.api import stack_models
from service.stacks.changes.hours import read_hours
from service.stacks.queries.layer_maps import layer_map, stack_facts
from service.stacks.queries.lineage import lineage
from service.stacks.queries.restrictions import restrictions_of
from service.stacks.queries.stacks import find_stack, stack_list

router = APIRouter(prefix="/stacks", tags=["stacks"])


@router.get("")
def stacks(
    *,
    caller: Caller,
    engine: Database,
    text: Annotated[str, Query(max_length=200)] = "",
    turn: answers.Turned,
    after: Annotated[
        str, Query(max_length=200, deprecated=True, description="instead of a page: serial")
    ] = "",
) -> stack_models.Stacks:
    """Return all stacks in the order of their serials, a page at a time."""
    need(caller, Act.READ)
    with reading(engine) as session:
        stack_rows = stack_list(session, from_keys(turn, after or None), text=text)
    return stack_models.Stacks.from_answer(stack_rows, **answers.page_of(stack_rows))


@router.get("/{serial}/layers")
def layers(
    *,
    serial: str,
    caller: Caller,
    engine: Database,
    as_of: Asked,
    build: Annotated[int | None, Query(ge=1, le=2**31, description="number of a build")] = None,
) -> stack_models.LayerMap:
    """Return the pile of a stack: as it is, as it was on a date, or as it was thought to be."""
    need(caller, Act.READ)
    with reading(engine) as session:
        answer = layer_map(
            session,
            find_stack(session, serial),
            on=as_of.on,
            known_at=as_of.known_at,
            build_number=build,
        )
        checks = verify(session, [answer.build.record_id]) if answer.build else {}
        restricted = restrictions_of(session, answer.stack.serial)
        splits = lineage(session, answer.stack.id)
    check = checks.get(answer.build.record_id) if answer.build else None
    return stack_models.LayerMap.from_answer(
        answer,
        content_holds=check.holds if check else None,
        restrictions=restricted,
        lineage=splits,
    )


@router.get("/{serial}/limits")
def limits(*, serial: str, caller: Caller, engine: Database) -> stack_models.Limits | None:
    """Return the limits and figures in force for the stack's design.

    Null where none were approved.
    """
    need(caller, Act.READ)
    with reading(engine) as session:
        stack = stack_facts(session, find_stack(session, serial))
        answer = limits_in_force(session, stack.design_id)
    return None if answer is None else stack_models.Limits.from_answer(answer)


class HoursRead(request_models.HoursRead):
    """What an hour meter showed, in h, and why it stands where time does not suffice for it."""

    stands: Stands | None = Field(default=None, description="answers whether it stands")
    outside_because: request_models.Words = Field(default="", description="why it stands")


@router.post("/{serial}/hours", status_code=201)
def hours(serial: str, entry: HoursRead, call: Call) -> answers.Made:
    """Write down what the stack's hour meter showed, in h."""
    return make_once(
        call, lambda work: read_hours(work, find_stack(work.session, serial), **dict(entry))
    )
