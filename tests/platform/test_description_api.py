"""The API against its own OpenAPI description: whatever is sent, never a 5xx.

The tool which reads the description takes seconds to load: whoever runs these tests loads it.
"""

from collections.abc import Iterator
from hashlib import sha256
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from sqlalchemy.orm import Session

from service.bench.changes.entries import ENTRIES
from service.people.tables import ApiToken
from tests import builders

TOKEN = "a token for the whole module"


@pytest.fixture(scope="module")
def described(sqlite_template: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Any]:
    """A server with a few stacks, and what it says of its API."""
    import schemathesis

    from service.app import make_app
    from service.settings import Settings

    folder = tmp_path_factory.mktemp("described")
    file = folder / "layerbook.sqlite"
    file.write_bytes(sqlite_template.read_bytes())
    app = make_app(Settings(data_folder=folder, database_url=f"sqlite:///{file}"))
    with Session(app.state.engine) as session:
        builders.a_stack(session, cells=2, serial="T-1")
        person = builders.a_person(session, "builder", name="Caller")
        session.add(
            ApiToken(
                token_sha256=sha256(TOKEN.encode()).hexdigest(),
                person_id=person.id,
                label="for a test",
                made_at=builders.START,
                last_used_at=None,
                revoked_at=None,
            )
        )
        session.commit()
    yield schemathesis.openapi.from_asgi("/api/v1/openapi.json", app)
    app.state.engine.dispose()


OPERATIONS = (
    "GET /api/v1/holds",
    "GET /api/v1/holds/{hold_id}",
    "POST /api/v1/holds",
    "POST /api/v1/holds/{hold_id}/lifting",
    "POST /api/v1/concessions",
    "GET /health",
    "GET /api/v1/floor",
    "GET /api/v1/stacks",
    "GET /api/v1/stacks/{serial}/layers",
    "GET /api/v1/stacks/{serial}/limits",
    "GET /api/v1/stacks/{serial}/verdicts",
    "GET /api/v1/stacks/{serial}/hours",
    "POST /api/v1/stacks/{serial}/hours",
    "GET /api/v1/stacks/{serial}/condition",
    "POST /api/v1/stacks/{serial}/voltages",
    "GET /api/v1/stacks/{serial}/curves",
    "POST /api/v1/stacks/{serial}/curves",
    "GET /api/v1/curves/{curve_id}",
    "POST /api/v1/curves/{curve_id}/void",
    "POST /api/v1/stacks/{serial}/sweeps",
    "POST /api/v1/stacks/{serial}/hours/reports",
    "POST /api/v1/stacks/{serial}/hours/reports/taken-back",
    "GET /api/v1/stacks/{serial}/taps",
    "POST /api/v1/stacks/{serial}/taps",
    "POST /api/v1/tap-maps/{tap_map_id}/correction",
    "POST /api/v1/tap-maps/{tap_map_id}/taking-back",
    "GET /api/v1/stacks/{serial}/bridges",
    "POST /api/v1/stacks/{serial}/bridges",
    "POST /api/v1/bridges/{bridge_id}/end",
    "POST /api/v1/bridges/{bridge_id}/correction",
    "POST /api/v1/bridges/{bridge_id}/taking-back",
    "GET /api/v1/stacks/{serial}/runs",
    "POST /api/v1/stacks/{serial}/runs",
    "GET /api/v1/run-uploads/{token}",
    "GET /api/v1/runs/{run_id}",
    "POST /api/v1/runs/{run_id}/again",
    "POST /api/v1/runs/{run_id}/void",
    "GET /api/v1/run-mappings",
    "POST /api/v1/run-mappings",
    "GET /api/v1/parts/{serial}/history",
    "GET /api/v1/parts/{serial}/trace",
    "GET /api/v1/parts/{serial}/suspects",
    "GET /api/v1/parts/{serial}/containment",
    "POST /api/v1/parts/{serial}/containment",
    "GET /api/v1/records",
    "GET /api/v1/records/{record_id}",
    "GET /api/v1/records/{record_id}/check",
    "GET /api/v1/records/{record_id}/closing",
    "GET /api/v1/records/{record_id}/facts",
    "POST /api/v1/records/{record_id}/corrections",
    "GET /api/v1/corrections",
    "GET /api/v1/corrections/{correction_id}",
    "POST /api/v1/records",
    *(f"POST /api/v1/records/{{record_id}}/entries/{name}" for name in ENTRIES),
    "POST /api/v1/records/{record_id}/torque-readings",
    "GET /api/v1/records/{record_id}/tests",
    "POST /api/v1/records/{record_id}/leak-tests",
    "POST /api/v1/records/{record_id}/insulation-tests",
    "POST /api/v1/records/{record_id}/short-checks",
    "GET /api/v1/failing",
    "GET /api/v1/failing/findings",
    "GET /api/v1/parts/{serial}/life",
    "GET /api/v1/parts/{serial}/failing/grounds",
    "POST /api/v1/parts/{serial}/failing",
    "POST /api/v1/parts/{serial}/failing/withdrawal",
    "GET /api/v1/designs/{design_id}/failing-rule",
    "POST /api/v1/designs/{design_id}/failing-rule",
    "GET /api/v1/audit",
    "GET /api/v1/desk",
    "GET /api/v1/desk/{calculator}",
    "GET /api/v1/life",
    "POST /api/v1/runs/{run_id}/clock",
    "POST /api/v1/parts/{part_id}/judgements",
    "GET /api/v1/instruments",
    "POST /api/v1/instruments",
    "GET /api/v1/instruments/{instrument_id}",
    "POST /api/v1/instruments/{instrument_id}/calibrations",
    "POST /api/v1/instruments/{instrument_id}/calibrations/effect",
    "GET /api/v1/instruments/{instrument_id}/uses",
    "POST /api/v1/instruments/{instrument_id}/away",
    "POST /api/v1/instruments/{instrument_id}/back",
    "POST /api/v1/instruments/{instrument_id}/devices",
    "GET /api/v1/make-safe-lists",
    "POST /api/v1/make-safe-lists",
    "POST /api/v1/make-safe-lists/{list_id}/versions",
    "GET /api/v1/words",
    "POST /api/v1/words",
    "GET /api/v1/traces/{sha256}",
    "GET /api/v1/leak-tests/{test_id}",
    "POST /api/v1/leak-tests",
    "POST /api/v1/leak-tests/{test_id}/end",
    "GET /api/v1/parts/{serial}/leak-tests",
    "GET /api/v1/looking-again",
    "POST /api/v1/looking-again",
    "POST /api/v1/make-safe-lists/{list_id}/withdrawal",
    "POST /api/v1/parts/unread",
    "POST /api/v1/parts/{part_id}/found",
    "POST /api/v1/parts/{part_id}/identity",
    "POST /api/v1/records/{record_id}/splits",
    "POST /api/v1/records/{record_id}/waivers",
    "GET /api/v1/lots/{number}/genealogy",
    "POST /api/v1/lots/{number}/inputs",
    "POST /api/v1/lots/{number}/inputs/{input_number}/take-back",
    "POST /api/v1/{of}/{number}/bag-openings",
    "POST /api/v1/{of}/{number}/shelf-life-extensions",
)


@pytest.fixture(scope="module")
def true_to_its_description() -> tuple[Any, ...]:
    """What every answer is looked at for."""
    from schemathesis.checks import not_a_server_error
    from schemathesis.specs.openapi.checks import (
        content_type_conformance,
        response_schema_conformance,
    )

    return not_a_server_error, response_schema_conformance, content_type_conformance


def test_every_route_for_machines_is_tried_below(described: Any) -> None:
    """A new route has to be named here, and so is tried."""
    named = {
        f"{operation.method.upper()} {operation.path}"
        for operation in (result.ok() for result in described.get_all_operations())
    }

    assert named == set(OPERATIONS)


@pytest.mark.parametrize("named", OPERATIONS)
def test_no_call_ends_in_an_error_of_the_server(
    described: Any, true_to_its_description: tuple[Any, ...], named: str
) -> None:
    """Every answer fits its description; none is a 5xx."""
    from schemathesis.python.asgi import get_client

    method, path = named.split()
    operation = described[path][method]
    client = get_client(operation.app)  # one for all calls: each of its own would start the server

    @given(case=operation.as_strategy())
    @settings(
        max_examples=settings.default.max_examples // 8, suppress_health_check=list(HealthCheck)
    )
    def call(case: Any) -> None:
        case.call_and_validate(
            session=client,
            headers={"Authorization": f"Bearer {TOKEN}"},
            checks=true_to_its_description,
        )

    call()
