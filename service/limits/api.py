"""Limits and figures of a design as JSON."""

from datetime import datetime
from typing import Any

from service.platform.api.answers import Out


class Limits(Out):
    """What the stacks of a design are computed with and judged by; units stand in the names."""

    design: str
    version: int
    source: str
    approved_by: str
    approved_at: datetime
    content_sha256: str
    figures: dict[str, Any]
