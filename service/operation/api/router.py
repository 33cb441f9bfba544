"""All routes for machines: the API under /api/v1, and /health."""

from typing import Any

from fastapi import APIRouter, Depends

from service.bench import api as records
from service.calculators import api as calculators
from service.closing import api as closing
from service.condition.api import condition, polarisation_curves, sweeps
from service.life.api import failing, life, parts, suspects
from service.operation.api import health
from service.overview import api as overview
from service.platform.api import audit_trail, callers
from service.proof import api as stack_tests
from service.records import api as lab_words
from service.runs import api as runs
from service.stacks.api import cell_bridges, hour_reports, stacks
from service.store import api as store
from service.taps import api as tap_maps

PROBLEM: dict[int | str, dict[str, Any]] = {
    code: {"description": what, "content": {"application/problem+json": {}}}
    for code, what in {
        400: "not understood",
        401: "no valid token",
        403: "not allowed",
        404: "not found",
        409: "changed by somebody else meanwhile",
        422: "a value cannot be taken",
        503: "the database is busy",
    }.items()
}

router = APIRouter()
router.include_router(health.router)
for routes in (
    overview.router,
    stacks.router,
    condition.router,
    polarisation_curves.router,
    sweeps.router,
    hour_reports.router,
    tap_maps.router,
    cell_bridges.router,
    runs.router,
    parts.router,
    suspects.router,
    store.router,
    records.router,
    records.of_corrections,
    records.of_resting,
    records.of_identities,
    records.of_instruments,
    lab_words.router,
    closing.router,
    stack_tests.router,
    audit_trail.router,
    life.router,
    failing.router,
):
    router.include_router(
        routes,
        prefix="/api/v1",
        responses=PROBLEM,
        dependencies=[Depends(callers.refuse_unknown_parameters)],
    )
router.include_router(calculators.router, prefix="/api/v1", responses=PROBLEM)
