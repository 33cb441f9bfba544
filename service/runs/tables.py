"""Runs: logs of test benches, what was read from them, and the voltages found in them.

The raw file lies under the hash of its content and can be read again: a new reading closes out
the one before with all that came of it.
"""

from enum import StrEnum

from sqlalchemy import CheckConstraint, Index, UniqueConstraint
from sqlalchemy.orm import Mapped, mapped_column

from service.platform.tables import Base, key, reference, sha256, text, unique_where, utc, word
from service.stacks.tables import KNOWN_NOW


class RunKind(StrEnum):
    """What a file of a test bench holds."""

    LOG = "log"
    SWEEP = "sweep"


class SnapshotKind(StrEnum):
    """How the voltages of one moment were come by."""

    STEADY = "steady load"
    OPEN_CIRCUIT = "open circuit"
    TYPED = "typed in"


class CurveDirection(StrEnum):
    """Which way the current went while a curve was taken."""

    FALLING = "falling"
    RISING = "rising"
    TYPED = "typed in"


class UploadState(StrEnum):
    """How far a file on its way in has come."""

    WAITING = "waiting"
    READING = "reading"
    DONE = "done"
    REFUSED = "refused"


class Run(Base):
    """One file of a test bench, read for one stack. The same content is taken once."""

    __tablename__ = "run"
    __table_args__ = (
        UniqueConstraint("content_sha256"),
        CheckConstraint("size_bytes > 0", name="size_is_positive"),
        Index("ix_run_stack_id", "stack_id"),
    )
    id: Mapped[key]
    stack_id: Mapped[int] = reference("stack")
    kind: Mapped[RunKind] = mapped_column(word(RunKind))
    content_sha256: Mapped[sha256]
    size_bytes: Mapped[int]
    name: Mapped[str] = mapped_column(comment="of the file, as given")
    note: Mapped[text] = mapped_column(default="")
    added_by_id: Mapped[int] = reference("person")
    added_at: Mapped[utc]


class RunReading(Base):
    """What one reading of a run's file found: times, hours, starts and stops."""

    __tablename__ = "run_reading"
    __table_args__ = (
        CheckConstraint("ended_at >= began_at", name="ends_after_it_began"),
        CheckConstraint("known_until IS NULL OR known_until >= known_from", name="known_in_order"),
        CheckConstraint("row_count >= 1", name="has_rows"),
        CheckConstraint(
            "recorded_hours >= 0 AND load_hours >= 0 AND (gas_hours IS NULL OR gas_hours >= 0)",
            name="hours_are_not_negative",
        ),
        CheckConstraint(
            "(meter_from_hours IS NULL) = (meter_to_hours IS NULL)", name="meter_read_at_both_ends"
        ),
        CheckConstraint(
            "meter_from_hours IS NULL OR meter_to_hours >= meter_from_hours",
            name="meter_counts_forward",
        ),
        CheckConstraint(
            "meter_id IS NOT NULL OR meter_from_hours IS NULL", name="a_showing_has_its_meter"
        ),
        unique_where("uq_run_reading_run_id_known_now", "run_id", condition=KNOWN_NOW),
        Index("ix_run_reading_run_id", "run_id"),
        Index("ix_run_reading_stack_id_began_at", "stack_id", "began_at"),
        Index("ix_run_reading_build_id_began_at", "build_id", "began_at"),
        Index("ix_run_reading_meter_id_ended_at", "meter_id", "ended_at"),
    )
    id: Mapped[key]
    run_id: Mapped[int] = reference("run")
    stack_id: Mapped[int] = reference("stack")
    build_id: Mapped[int] = reference("build")
    mapping: Mapped[text] = mapped_column(comment="JSON: which column says what")
    formula: Mapped[str] = mapped_column(comment="name and version of what read it")
    began_at: Mapped[utc] = mapped_column(comment="first row")
    ended_at: Mapped[utc] = mapped_column(comment="last row")
    clock_min: Mapped[float] = mapped_column(
        default=0.0, comment="by how much the log's clock was corrected in all"
    )
    row_count: Mapped[int]
    recorded_hours: Mapped[float] = mapped_column(comment="h covered by rows, gaps left out")
    load_hours: Mapped[float] = mapped_column(comment="h with current above the idle limit")
    gas_hours: Mapped[float | None] = mapped_column(comment="h with hydrogen; none: not recorded")
    starts: Mapped[int]
    stops: Mapped[int]
    meter_id: Mapped[int | None] = reference("hour_meter")
    meter_from_hours: Mapped[float | None] = mapped_column(comment="h, the meter at the first row")
    meter_to_hours: Mapped[float | None] = mapped_column(comment="h, the meter at the last row")
    above: Mapped[text] = mapped_column(
        default="[]", comment="JSON: quantity, limit, unit, hours beyond it"
    )
    doubts: Mapped[text] = mapped_column(default="[]", comment="JSON: what was odd, in words")
    not_released: Mapped[text | None] = mapped_column(
        comment="why the build was not released while it ran; none: it was"
    )
    by_id: Mapped[int] = reference("person")
    reason: Mapped[text] = mapped_column(default="", comment="why it was read again")
    known_from: Mapped[utc]
    known_until: Mapped[utc | None]


class Snapshot(Base):
    """Voltages of all channels over one steady time: which cell each reads, the tap map says."""

    __tablename__ = "snapshot"
    __table_args__ = (
        CheckConstraint("until_at >= from_at", name="ends_after_it_began"),
        CheckConstraint("known_until IS NULL OR known_until >= known_from", name="known_in_order"),
        Index("ix_snapshot_stack_id_from_at", "stack_id", "from_at"),
        Index("ix_snapshot_build_id_from_at", "build_id", "from_at"),
        Index("ix_snapshot_reading_id", "reading_id"),
    )
    id: Mapped[key]
    reading_id: Mapped[int | None] = reference("run_reading", comment="none: typed in")
    stack_id: Mapped[int] = reference("stack")
    build_id: Mapped[int] = reference("build")
    kind: Mapped[SnapshotKind] = mapped_column(word(SnapshotKind))
    from_at: Mapped[utc]
    until_at: Mapped[utc]
    row_count: Mapped[int]
    current_a: Mapped[float | None] = mapped_column(comment="A, mean")
    density_a_cm2: Mapped[float | None] = mapped_column(comment="A/cm², mean")
    temperature_c: Mapped[float | None] = mapped_column(comment="°C, mean")
    stack_voltage_v: Mapped[float | None] = mapped_column(comment="V, mean, as recorded")
    meter_hours: Mapped[float | None] = mapped_column(comment="h, the meter at its middle")
    channels: Mapped[text] = mapped_column(comment="JSON: names of the channels, in order")
    means_v: Mapped[text] = mapped_column(comment="JSON: V, mean of each channel, null: no value")
    spreads_v: Mapped[text] = mapped_column(comment="JSON: V, standard deviation of each channel")
    by_id: Mapped[int] = reference("person")
    known_from: Mapped[utc]
    known_until: Mapped[utc | None]


class PolarisationCurve(Base):
    """Voltages of all channels over current density, one way, binned from a sweep or typed in."""

    __tablename__ = "polarisation_curve"
    __table_args__ = (
        CheckConstraint("known_until IS NULL OR known_until >= known_from", name="known_in_order"),
        Index("ix_polarisation_curve_stack_id_taken_at", "stack_id", "taken_at"),
        Index("ix_polarisation_curve_build_id_taken_at", "build_id", "taken_at"),
        Index("ix_polarisation_curve_reading_id", "reading_id"),
    )
    id: Mapped[key]
    reading_id: Mapped[int | None] = reference("run_reading", comment="none: typed in")
    stack_id: Mapped[int] = reference("stack")
    build_id: Mapped[int] = reference("build")
    taken_at: Mapped[utc]
    direction: Mapped[CurveDirection] = mapped_column(word(CurveDirection))
    occasion: Mapped[str] = mapped_column(default="", comment="commissioning, yearly check, …")
    temperature_c: Mapped[float | None] = mapped_column(comment="°C, mean")
    meter_hours: Mapped[float | None] = mapped_column(comment="h, the meter when it was taken")
    channels: Mapped[text] = mapped_column(comment="JSON: names of the channels, in order")
    points: Mapped[text] = mapped_column(
        comment="JSON: density in A/cm², current in A, rows, means and spreads in V by channel"
    )
    by_id: Mapped[int] = reference("person")
    known_from: Mapped[utc]
    known_until: Mapped[utc | None]


class ColumnMapping(Base):
    """A saved mapping: which column of a bench's logs says what. A changed one is a new version."""

    __tablename__ = "column_mapping"
    __table_args__ = (
        UniqueConstraint("name", "version"),
        CheckConstraint("version >= 1", name="versions_count_from_one"),
    )
    id: Mapped[key]
    name: Mapped[str]
    version: Mapped[int]
    content: Mapped[text] = mapped_column(comment="JSON, as a reading keeps it")
    by_id: Mapped[int] = reference("person")
    made_at: Mapped[utc]


class RunUpload(Base):
    """A file on its way in and how far it has come; no fact, forgotten after a while."""

    __tablename__ = "run_upload"
    __table_args__ = (
        Index("ix_run_upload_stack_id", "stack_id"),
        Index("ix_run_upload_made_at", "made_at"),
    )
    id: Mapped[key]
    stack_id: Mapped[int] = reference("stack")
    token: Mapped[str] = mapped_column(unique=True, comment="the file lies under it")
    name: Mapped[str]
    size_bytes: Mapped[int]
    content_sha256: Mapped[sha256]
    asked: Mapped[text] = mapped_column(default="{}", comment="JSON: mapping and form as given")
    state: Mapped[UploadState] = mapped_column(word(UploadState))
    done: Mapped[float] = mapped_column(default=0.0, comment="share read, 0 to 1")
    message: Mapped[text] = mapped_column(default="", comment="what is being done, or why refused")
    run_id: Mapped[int | None] = reference("run")
    by_id: Mapped[int] = reference("person")
    made_at: Mapped[utc]
    changed_at: Mapped[utc]
