"""The API against its own OpenAPI description: whatever is sent, never a 5xx."""

from collections.abc import Iterator
from hashlib import sha256
from pathlib import Path
from typing import Any

import pytest
import schemathesis
from hypothesis import HealthCheck, settings
from schemathesis.checks import not_a_server_error
from schemathesis.specs.openapi.checks import (
    content_type_conformance,
    response_schema_conformance,
)
from sqlalchemy.orm import Session

from service.records.tables.people import ApiToken
from tests import builders

TOKEN = "a token for the whole module"


@pytest.fixture(scope="module")
def described(sqlite_template: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Any]:
    """A server with a few stacks, and what it says of its API."""
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


schema = schemathesis.pytest.from_fixture("described")


@schema.parametrize()
@settings(max_examples=15, deadline=None, suppress_health_check=list(HealthCheck), derandomize=True)
def test_no_call_ends_in_an_error_of_the_server(case: Any) -> None:
    """Every answer fits its description; none is a 5xx."""
    case.call_and_validate(
        headers={"Authorization": f"Bearer {TOKEN}"},
        checks=(not_a_server_error, response_schema_conformance, content_type_conformance),
    )
