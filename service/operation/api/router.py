"""All routes for machines: the API under /api/v1, and /health."""

from typing import Any

from fastapi import APIRouter

from service.bench import api as records
from service.calculators import api as calculators
from service.closing import api as closing
from service.condition.api import condition, polarisation_curves, sweeps
from service.life.api import failing, life, parts, suspects
from service.operation.api import health
from service.overview import api as overview
from service.platform.api import audit_trail
from service.proof import api as stack_tests
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
for noun in (
    overview,
    stacks,
    condition,
    polarisation_curves,
    sweeps,
    hour_reports,
    tap_maps,
    cell_bridges,
    runs,
    parts,
    suspects,
    store,
    records,
    closing,
    stack_tests,
    audit_trail,
    calculators,
    life,
    failing,
):
    router.include_router(noun.router, prefix="/api/v1", responses=PROBLEM)
