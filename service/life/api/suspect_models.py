"""What comparisons and containments answer and are sent as JSON."""

from datetime import datetime
from typing import Annotated

from pydantic import Field

from service.platform.api.answers import Made, Out
from service.platform.api.request_models import In
from service.stacks.api.part_models import Part


class Odds(Out):
    """Odds ratio with its exact interval; None for no bound; ``with_half`` is always finite."""

    value: float | None
    low: float
    high: float | None
    with_half: float
    level: float


class Level(Out):
    """One level of a factor against the rest, with hours considered; ``plain_p``: without."""

    name: str
    is_own: bool
    failing: int
    all: int
    rest_failing: int
    rest_all: int
    odds_ratio: Odds | None
    p: float | None
    mid_p: float | None
    plain_p: float | None
    sentence: str


class Factor(Out):
    """One factor; p is that of its strongest level times the comparisons; q over all factors."""

    factor: str
    counted_by: str
    n: int
    failing: int
    unknown: int
    levels_seen: int
    comparisons: int
    p: float | None
    q: float | None
    own: list[str]
    levels: list[Level] = Field(description="none where levels are people")
    sentence: str
    unit_sentence: str


class GridRow(Out):
    """One lot with one driver: (failing, all) in each place."""

    lot: str
    driver: str
    cells: list[tuple[int, int]]


class Suspects(Out):
    """What the failing MEAs of a design share that comparable ones do not: association only."""

    part: str
    design: str
    by_rule: bool
    meas: int
    failing: int
    builds: int
    failing_builds: int
    comparable: int
    first_closed: datetime | None
    last_closed: datetime | None
    places: list[str]
    grid: list[GridRow]
    cannot_be_told_apart: list[str]
    looked_at: int
    chance_of_one_by_chance: float
    factors: list[Factor]
    position: str
    few_data: list[str]
    not_cause: str


class Exposed(Out):
    """One thing that may be held: ``name`` is what a hold is asked for by."""

    name: str
    kind: str
    label: str
    what: str
    why: str
    where: str
    usability: str | None
    stack_serial: str | None
    held_because: str | None
    lot_held_because: str | None
    can_be_held: bool


class ExposedGroup(Out):
    """Things exposed in one way."""

    title: str
    things: list[Exposed]


class StackNow(Out):
    """A stack that holds some of it now."""

    serial: str
    state: str
    build_number: int | None
    place: str
    holds: int


class Containment(Out):
    """What else is exposed with a part, where it is now and how it stands."""

    part: Part
    build: str
    failed_at: datetime | None
    groups: list[ExposedGroup]
    stacks: list[StackNow]


Chosen = Annotated[str, Field(max_length=40, pattern=r"^(part|lot|instrument)-\d{1,15}$")]


class HoldAsked(In):
    """Hold all that is exposed, or what is chosen of it, with one reason."""

    reason: Annotated[str, Field(min_length=1, max_length=4000)]
    all: bool = False
    chosen: list[Chosen] = Field(default=[], max_length=2000, description="names, as answered")


class HoldsPlaced(Made):
    """The first hold's number, all of them, and what stood on hold before and was passed over."""

    hold_ids: list[int]
    held_before: list[str]
