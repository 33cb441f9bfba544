"""A caller with a token."""

from collections.abc import Callable
from hashlib import sha256
from typing import Any

import pytest
from sqlalchemy.orm import Session

from service.people.tables import ApiToken, Role
from tests import builders


@pytest.fixture
def calling(app: Any, client: Any) -> Callable[..., Any]:
    """Give a client whose calls carry the token of somebody with a role."""

    def call_as(*roles: Role | str, name: str = "") -> Any:
        name = name or f"{' and '.join(roles) or 'nobody'} calling"
        with Session(app.state.engine) as session:
            person = builders.a_person(session, *roles, name=name)
            secret = f"token-of-{person.id}"
            session.add(
                ApiToken(
                    token_sha256=sha256(secret.encode()).hexdigest(),
                    person_id=person.id,
                    label="for a test",
                    made_at=builders.START,
                    last_used_at=None,
                    revoked_at=None,
                )
            )
            client.person_id, client.login = person.id, person.login
            session.commit()
        client.headers["Authorization"] = f"Bearer {secret}"
        return client

    return call_as
