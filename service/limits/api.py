"""Limits and figures of a design as JSON."""

from typing import Annotated, Any

from pydantic import BeforeValidator

from service.limits.arithmetic.figures import figures_as_data
from service.limits.queries import LimitsInForce
from service.platform.api.answers import Out, like


@like(LimitsInForce, without="id design_id")
class Limits(Out):
    """What the stacks of a design are computed with and judged by; units stand in the names."""

    figures: Annotated[dict[str, Any], BeforeValidator(figures_as_data)]
