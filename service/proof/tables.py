"""Tests of a closed stack: leaks, insulation, shorts. Each is an entry of a record."""

from enum import StrEnum

from sqlalchemy import CheckConstraint, Index
from sqlalchemy.orm import Mapped, mapped_column

from service.limits.arithmetic.leak_objects import LeakObject
from service.platform.arithmetic.verdicts import Verdict
from service.platform.tables import Base, key, reference, sha256, text, utc, word


class TestMade:
    """What every test keeps: what was set and read, what it gave, what it was read with."""

    __test__ = False  # no test of ours
    content: Mapped[text] = mapped_column(comment="RFC 8785 JSON of what was set and read")
    result: Mapped[text] = mapped_column(comment="RFC 8785 JSON of what was computed from it")
    formula: Mapped[str] = mapped_column(comment="name and version of what computed it")
    verdict: Mapped[Verdict] = mapped_column(word(Verdict))
    limit_set_id: Mapped[int | None] = reference("limit_set", comment="judged by it")
    instrument_id: Mapped[int] = reference("instrument")
    calibration_id: Mapped[int | None] = reference("calibration", comment="valid when it was used")
    thermometer_id: Mapped[int | None] = reference("instrument")
    thermometer_calibration_id: Mapped[int | None] = reference(
        "calibration", comment="valid when it was used"
    )
    meter_id: Mapped[int | None] = reference("instrument", comment="flow meter, where one was read")
    meter_calibration_id: Mapped[int | None] = reference(
        "calibration", comment="valid when it was used"
    )


class StackTest(TestMade, Base):
    """One test as it was made, with what it gave. The kind of its entry says which test it is."""

    __tablename__ = "stack_test"
    __table_args__ = (
        Index("ix_stack_test_record_id", "record_id"),
        Index("ix_stack_test_instrument_id", "instrument_id"),
        Index("ix_stack_test_thermometer_id", "thermometer_id"),
        Index("ix_stack_test_meter_id", "meter_id"),
    )
    id: Mapped[key]
    record_id: Mapped[int] = reference("rebuild_record")
    step_id: Mapped[int] = reference("step", unique=True)


class PressureTrace(Base):
    """The trace of a test of tightness as it was sent; the test's content names its hash."""

    __tablename__ = "pressure_trace"
    id: Mapped[key]
    content_sha256: Mapped[sha256] = mapped_column(unique=True)
    content: Mapped[text] = mapped_column(comment="lines of time, pressure and temperature")


# Leak tests of plates and parts of the pile by themselves.


class Ending(StrEnum):
    """Why a leak test of parts says nothing any more, by hand."""

    TAKEN_APART = "taken apart"
    WRONG = "entered wrongly"


class PartLeakTest(TestMade, Base):
    """One leak test of half plates or of a part of the pile. It ends once, and never changes."""

    __tablename__ = "part_leak_test"
    __table_args__ = (
        CheckConstraint(
            "(ended_at IS NULL) = (ended_as IS NULL)"
            " AND (ended_at IS NULL) = (ended_because IS NULL)"
            " AND (ended_at IS NULL) = (ended_by_id IS NULL)",
            name="ended_as_a_whole",
        ),
        CheckConstraint(
            "(deviation IS NULL) = (deviation_because IS NULL)", name="deviation_has_its_reason"
        ),
        Index("ix_part_leak_test_instrument_id", "instrument_id"),
        Index("ix_part_leak_test_thermometer_id", "thermometer_id"),
        Index("ix_part_leak_test_meter_id", "meter_id"),
    )
    id: Mapped[key]
    leak_object: Mapped[LeakObject] = mapped_column(word(LeakObject))
    fixture: Mapped[str] = mapped_column(default="", comment="what it stood in, in words")
    record_id: Mapped[int | None] = reference(
        "rebuild_record", index=True, comment="a part of the pile of this record's open stack"
    )
    done_at: Mapped[utc]
    note: Mapped[text] = mapped_column(default="")
    deviation: Mapped[text | None] = mapped_column(comment="what departs from what was set")
    deviation_because: Mapped[text | None]
    by_id: Mapped[int] = reference("person")
    written_at: Mapped[utc]
    ended_at: Mapped[utc | None]
    ended_as: Mapped[Ending | None] = mapped_column(word(Ending))
    ended_because: Mapped[text | None]
    ended_by_id: Mapped[int | None] = reference("person")


class PartLeakTested(Base):
    """One part of what a leak test was made of, in the order of the pile."""

    __tablename__ = "part_leak_tested"
    test_id: Mapped[int] = reference("part_leak_test", primary_key=True)
    place: Mapped[int] = mapped_column(primary_key=True, comment="from 1")
    part_id: Mapped[int] = reference("part", index=True)


# Releases: who let hydrogen into a build, and what stood at the gate.


class BuildRelease(Base):
    """One release of one build. It stands until something makes a verdict of its worth nothing."""

    __tablename__ = "build_release"
    __table_args__ = (Index("ix_build_release_build_id", "build_id", "released_at"),)
    id: Mapped[key]
    build_id: Mapped[int] = reference("build")
    limit_set_id: Mapped[int] = reference("limit_set")
    content: Mapped[text] = mapped_column(
        comment="RFC 8785 JSON: verdicts, set points acknowledged"
    )
    content_sha256: Mapped[sha256]
    released_by_id: Mapped[int] = reference("person")
    released_at: Mapped[utc]
    remarks: Mapped[text | None] = mapped_column(comment="what stood beside the signature")


class ReleaseEnd(Base):
    """The end of a build's release: its closing does not hold with what a calibration found."""

    __tablename__ = "release_end"
    __table_args__ = (Index("ix_release_end_build_id", "build_id", "ended_at"),)
    id: Mapped[key]
    build_id: Mapped[int] = reference("build")
    calibration_id: Mapped[int] = reference("calibration")
    ended_at: Mapped[utc]
