"""How the server says how it is."""

from typing import Literal

from service.platform.api.answers import Out


class Health(Out):
    """Whether the database answers and is at the newest migration."""

    state: Literal["ready", "not migrated", "no answer"]
    database: str
    migration: str | None
