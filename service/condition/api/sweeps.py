"""A sweep of the current sent by a bench: its curves and open-circuit voltages."""

import tempfile
from pathlib import Path
from typing import Annotated

from fastapi import APIRouter, Body, Query, Request
from pydantic import AwareDatetime
from sqlalchemy import Engine

from service.condition.changes import SweepTaken, import_sweep
from service.condition.files import MOST_MB, began_at, read_sweep
from service.platform.api.answers import Made
from service.platform.api.callers import Call, make_once
from service.platform.arithmetic.errors import TradeError
from service.platform.database import Work, reading
from service.platform.errors import Refused
from service.platform.permissions import Act, need
from service.runs.arithmetic.log_columns import Mapping, mapping_from_json
from service.runs.files import run_files
from service.runs.queries.runs import kept_mapping
from service.settings import Settings
from service.stacks.queries.layer_maps import stack_facts
from service.stacks.queries.stacks import find_stack

router = APIRouter(tags=["condition"])
MEGABYTE = 1024 * 1024


@router.post("/stacks/{serial}/sweeps", status_code=201)
def send(
    *,
    serial: str,
    request: Request,
    call: Call,
    content: Annotated[bytes, Body(media_type="application/octet-stream")],
    mapping: Annotated[
        str,
        Query(
            min_length=1,
            max_length=40_000,
            description="name of a saved mapping, or a mapping as JSON",
        ),
    ],
    name: Annotated[str, Query(max_length=200, description="of the file")] = "sweep",
    taken_at: Annotated[
        AwareDatetime | None, Query(description="of the first row; else as the file's clock says")
    ] = None,
    occasion: Annotated[str, Query(max_length=200)] = "",
    temperature_c: Annotated[float | None, Query(ge=-50, le=200)] = None,
    meter_hours: Annotated[float | None, Query(ge=0, le=10_000_000)] = None,
) -> Made:
    """Take a sweep's file; answers the number of its first curve."""
    need(call.caller, Act.RUN_WRITE)
    settings: Settings = request.app.state.settings
    if len(content) > MOST_MB * MEGABYTE:
        raise Refused("content", name, "it is too large.", f"At most {MOST_MB} MB, else a log.")
    with reading(call.engine) as session:
        stack = stack_facts(session, find_stack(session, serial))
    columns = _mapping(call.engine, mapping)
    with tempfile.NamedTemporaryFile() as file:
        file.write(content)
        file.flush()
        path = Path(file.name)
        sweep = read_sweep(path, columns, settings.zone, stack.active_area_cm2)
        began = taken_at or began_at(sweep, columns)
        if began is None:
            right = "A time with a zone."
            raise Refused("taken_at", "", "the file does not say when it was taken.", right)

        def change(work: Work) -> int:
            return import_sweep(
                work,
                stack.id,
                stored=run_files.keep(settings.data_folder, path, name.strip() or "sweep"),
                mapping=columns.to_json(),
                sweep=sweep,
                conditions=SweepTaken(began, occasion, temperature_c, meter_hours),
            )

        return make_once(call, change)


def _mapping(engine: Engine, wish: str) -> Mapping:
    if not wish.lstrip().startswith("{"):
        with reading(engine) as session:
            return kept_mapping(session, wish).mapping
    try:
        return mapping_from_json(wish)
    except TradeError as trouble:
        raise Refused("mapping", "", str(trouble)) from None
