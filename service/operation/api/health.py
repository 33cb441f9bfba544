"""GET /health: whether the database answers and is at the newest migration."""

from typing import Literal

from fastapi import APIRouter, Response

from service.operation.migrating import standing
from service.platform.api.answers import Out
from service.platform.api.callers import Database


class Health(Out):
    """State of the database: whether it answers and is at the newest migration."""

    state: Literal["ready", "not migrated", "no answer"]
    database: str
    migration: str | None


router = APIRouter(tags=["health"])


@router.get("/health")
def health(engine: Database, response: Response) -> Health:
    """Say how the database stands; 503 when it does not answer or is not migrated."""
    answer = standing(engine)
    response.status_code = 200 if answer.state == "ready" else 503
    response.headers["Cache-Control"] = "no-store"
    return Health.model_validate(answer)
