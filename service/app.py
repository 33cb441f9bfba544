"""make_app(settings): middleware, routers, error pages; no logic.

A new noun is one line: write ``service/<subject>/pages/<noun>.py`` with a ``router`` and add its
name to ``PAGES``. The JSON API answers errors by a table of its own, under ``/api/`` and at
``/health``.
"""

import gc
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from importlib import import_module

from fastapi import Depends, FastAPI, Request, Response
from fastapi.exceptions import RequestValidationError
from fastapi.telemetry import TelemetryConfig
from sqlalchemy.exc import DataError
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.staticfiles import StaticFiles
from starlette.types import Scope

from service.operation.api import router as api
from service.people.pages import errors as page_errors
from service.people.pages.signing_in import SignInNeeded, signed_in
from service.platform.api import callers
from service.platform.api import errors as api_errors
from service.platform.arithmetic.errors import TradeError
from service.platform.database import make_engine
from service.platform.errors import LayerbookError
from service.platform.pages.guard import API, SAFE_METHODS, SIGNING, Guard, form_is_ours
from service.platform.pages.render import make_environment
from service.settings import Settings, shipped_folder

PAGES = (
    "service.people.pages.frame",
    "service.people.pages.signing_in",
    "service.overview.pages.overview",
    "service.overview.pages.setup",
    "service.people.pages.people",
    "service.people.pages.badges",
    "service.people.pages.change_person",
    "service.records.pages.attachments",
    "service.records.pages.lab_words",
    "service.records.pages.waivers",
    "service.store.pages.part_types",
    "service.store.pages.stiffness",
    "service.store.pages.lots",
    "service.store.pages.parts",
    "service.bench.pages.identities",
    "service.store.pages.shelf_lives",
    "service.store.pages.holds",
    "service.store.pages.instruments",
    "service.store.pages.make_safe_lists",
    "service.designs.pages.design_files",
    "service.designs.pages.designs",
    "service.designs.pages.patterns",
    "service.limits.pages",
    "service.store.pages.imports",
    "service.bench.pages.stack_imports",
    "service.store.pages.instrument_imports",
    "service.bench.pages.codes",
    "service.planning.pages.changeover",
    "service.calculators.pages",
    "service.life.pages.life",
    "service.stacks.pages.stacks",
    "service.runs.pages.run_uploads",
    "service.runs.pages.runs",
    "service.condition.pages.condition",
    "service.condition.pages.typed_in",
    "service.condition.pages.sweeps",
    "service.condition.pages.rests",
    "service.taps.pages",
    "service.stacks.pages.cell_bridges",
    "service.stacks.pages.stack_sheets",
    "service.closing.pages.closing",
    "service.proof.pages.stack_tests",
    "service.proof.pages.part_leak_tests",
    "service.bench.pages.paper",
    "service.bench.pages.splits",
    "service.bench.pages.rebuild_records",
    "service.bench.pages.approvals",
    "service.bench.pages.corrections",
    "service.bench.pages.proposals",
    "service.bench.pages.looking_again",
    "service.bench.pages.use_judgements",
    "service.records.pages.pile_checks",
    "service.bench.pages.bench",
    "service.life.pages.part_page",
    "service.life.pages.containment",
    "service.life.pages.mea_lives",
    "service.life.pages.failing",
    "service.life.pages.places",
    "service.life.pages.failing_rules",
    "service.people.pages.audit_trail",
    "service.overview.pages.scan",
)
NOTHING_REPORTED: TelemetryConfig = {
    "tracing": False,
    "metrics": False,
    "logs": False,
    "operation_spans": False,
    "auto_configure": False,
}
API_ANSWERS: dict[type[Exception], Callable[[Request, Exception], Response]] = {
    LayerbookError: api_errors.known,
    TradeError: api_errors.computed,
    RequestValidationError: api_errors.asked,
    HTTPException: api_errors.spoken,
    OverflowError: api_errors.beyond,
    DataError: api_errors.beyond,
}
DESCRIPTION = f"{API}v1/openapi.json"
OPEN = SIGNING | {DESCRIPTION, "/health"}
FOR_EVER = "public, max-age=31536000, immutable"


class KeptFiles(StaticFiles):
    """Static files: kept for ever when asked for by the hash of their content."""

    async def get_response(self, path: str, scope: Scope) -> Response:
        """Give a file with how long it may be kept."""
        response = await super().get_response(path, scope)
        hashed = scope.get("query_string", b"").startswith(b"v=")
        response.headers["Cache-Control"] = FOR_EVER if hashed else "public, max-age=300"
        return response


def make_app(settings: Settings | None = None) -> FastAPI:
    """Put the server together; without settings they are read from the environment."""
    settings = settings or Settings()
    static = shipped_folder("static")
    app = FastAPI(
        title="Layerbook",
        openapi_url=DESCRIPTION,
        docs_url=None,
        redoc_url=None,
        redirect_slashes=False,
        telemetry=NOTHING_REPORTED,
        lifespan=settled,
    )
    app.state.settings = settings
    app.state.engine = make_engine(settings.database_url, settings.time_zone)
    app.state.templates = make_environment(settings, shipped_folder("templates"), static)
    app.mount("/static", KeptFiles(directory=static), name="static")
    for noun in PAGES:
        module = import_module(noun)
        asked_first = getattr(module, "BEFORE_THE_FORM", ())
        app.include_router(
            module.router,
            dependencies=[*asked_first, Depends(form_is_ours)],
            include_in_schema=False,
        )
    app.include_router(api.router)
    for kind in (*API_ANSWERS, SignInNeeded):
        app.add_exception_handler(kind, answer)
    app.add_middleware(Guard, settings=settings, identify=identify, answer=answer)
    return app


@asynccontextmanager
async def settled(app: FastAPI) -> AsyncIterator[None]:
    """Serve without looking through what start-up made for garbage again.

    Long rows of layers otherwise set off whole collections in the middle of a page.
    """
    gc.collect()
    gc.freeze()
    gc.set_threshold(50_000, 20, 50)
    yield
    gc.unfreeze()
    app.state.engine.dispose()


async def identify(request: Request) -> None:
    """Find who asks before a body is read; only what is `OPEN` and pages to read need nobody."""
    path = request.url.path
    if path in OPEN:
        return
    if path.startswith(API):
        await run_in_threadpool(callers.identify, request)
    elif request.method not in SAFE_METHODS:
        await run_in_threadpool(signed_in, request)


async def answer(request: Request, trouble: Exception) -> Response:
    """Answer an exception in the words of the face that was asked."""
    if not request.url.path.startswith((API, "/health")):
        return await page_errors.answer(request, trouble)
    for kind, in_json in API_ANSWERS.items():
        if isinstance(trouble, kind):
            return await run_in_threadpool(in_json, request, trouble)
    return api_errors.unforeseen(request, trouble)
