"""The closing of a record: as kept at hand-in, and computed again with what holds today."""

import json
from typing import Annotated

from fastapi import APIRouter, Path

from service.closing.api.models import Closing, KeptClosing, now_data, summary_of
from service.closing.queries.recomputed import closing_again
from service.platform.api.callers import Caller, Database
from service.platform.database import reading
from service.platform.permissions import Act, need

router = APIRouter(prefix="/records", tags=["records"])


@router.get("/{record_id}/closing")
def closing(
    record_id: Annotated[int, Path(ge=1, le=2**53)], caller: Caller, engine: Database
) -> Closing:
    """What a closing was computed from and gave, and what it gives today."""
    need(caller, Act.READ)
    with reading(engine) as session:
        found = closing_again(session, record_id)
    kept = None
    if found.kept is not None:
        kept = KeptClosing(
            **summary_of(found.kept, found.kept.readable_outcome),
            inputs=json.loads(found.kept.inputs_text) if found.kept.readable_inputs else {},
            results=json.loads(found.kept.results_text) if found.kept.readable_outcome else {},
        )
    return Closing(
        record=record_id, kept=kept, now=now_data(found.now), why_again=list(found.why_again)
    )
