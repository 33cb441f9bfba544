"""What is sent and answered of runs as JSON: hours in h, other units in the names."""

from datetime import datetime
from typing import Annotated, Any

from pydantic import AwareDatetime, Field

from service.platform.api import answers, request_models
from service.runs.tables import RunKind, UploadState


class Upload(answers.Out):
    """A log on its way in. ``run`` is the number of the run it became; ``status`` asks again."""

    token: str
    state: UploadState
    done: float = Field(description="share read, 0 to 1")
    message: str = Field(description="what is being done, or why it was refused")
    run: int | None
    status: str
    page: str


class RunReading(answers.Out):
    """What a reading of a run's file found; hours in h."""

    build_number: int
    began_at: datetime
    ended_at: datetime
    row_count: int
    recorded_hours: float
    load_hours: float
    gas_hours: float | None
    starts: int
    stops: int
    meter_from_hours: float | None
    meter_to_hours: float | None
    not_released: str | None
    by: str
    reason: str
    known_from: datetime
    known_until: datetime | None


class Run(answers.Out):
    """One run; ``reading`` null where it was made void."""

    id: int
    stack: str
    kind: RunKind
    name: str
    note: str
    content_sha256: str
    size_bytes: int
    added_by: str
    added_at: datetime
    reading: RunReading | None


class Limit(answers.Out):
    """Hours beyond a limit, and how often it was passed."""

    quantity: str
    side: str
    limit: float
    unit: str
    hours: float
    times: int
    farthest: float | None
    farthest_at: datetime | None


class RunSnapshot(answers.Out):
    """Voltages of one steady time, summed up: V, A, A/cm², °C."""

    kind: str
    from_at: datetime
    until_at: datetime
    row_count: int
    current_a: float | None
    density_a_cm2: float | None
    temperature_c: float | None
    meter_hours: float | None
    mean_v: float | None
    lowest_v: float | None
    lowest_channel: str
    highest_v: float | None


class WholeRun(answers.Out):
    """One run with its limits, doubts, snapshots and everything it was read as before."""

    run: Run
    mapping: dict[str, Any]
    doubts: list[str]
    limits: list[Limit]
    snapshots: list[RunSnapshot]
    readings: list[RunReading]


class KeptColumns(answers.Out):
    """A saved mapping in its newest version."""

    name: str
    version: int
    mapping: dict[str, Any]
    by: str
    made_at: datetime


class MappingSent(request_models.In):
    """Which column is what, to be kept under a name."""

    name: Annotated[str, Field(min_length=1, max_length=80)]
    mapping: dict[str, Any] = Field(description="of the form “log columns 1”")


class Again(request_models.In):
    """How a run's file is to be read anew; without a mapping, as it was."""

    reason: request_models.Words
    mapping: dict[str, Any] | None = None
    began_at: AwareDatetime | None = None
    stack: request_models.Name | None = Field(
        default=None, description="serial, where it is another's log"
    )


class Void(request_models.In):
    """Why a run counts no more."""

    reason: request_models.Words
