"""Corrections: what is changed after hand-in, with the old value, the new one and the reason."""

from enum import StrEnum

from sqlalchemy import CheckConstraint, Index
from sqlalchemy.orm import Mapped, mapped_column

from service.platform.tables import Base, key, reference, sha256, text, utc, word


class CorrectionOf(StrEnum):
    """Which fact a correction changes."""

    LAYER_PART = "part in a layer"
    LAYER_FACING = "facing of a layer"
    FIXING = "fixing"
    TORQUE = "torque reading"
    TORQUE_INSTRUMENT = "instrument of a torque reading"
    HOURS = "hour-meter reading"
    OPENED_AT = "time of opening"
    CLOSED_AT = "time of closing"
    ENTRY = "entry"
    FINDING = "finding"
    PERSON = "person named"
    HEAD = "head of the record"
    LAYER_TOO_FEW = "layer too few"
    LAYER_TOO_MANY = "layer too many"
    FIXING_TOO_FEW = "fixing too few"
    FIXING_TOO_MANY = "fixing too many"


class CorrectionState(StrEnum):
    """A correction counts once another person has approved it."""

    WAITING = "waiting"
    APPROVED = "approved"
    REFUSED = "refused"


class Correction(Base):
    """One change to one fact of a record that was handed in."""

    __tablename__ = "correction"
    __table_args__ = (
        CheckConstraint(
            "(deviation IS NULL) = (deviation_because IS NULL)", name="deviation_has_its_reason"
        ),
        CheckConstraint(
            "unloaded_first IS NULL OR deviation IS NOT NULL", name="unloaded_before_a_deviation"
        ),
        Index("ix_correction_record_id", "record_id"),
        Index("ix_correction_state", "state", "written_at"),
    )
    id: Mapped[key]
    record_id: Mapped[int] = reference("rebuild_record")
    of: Mapped[CorrectionOf] = mapped_column("of_", word(CorrectionOf))
    subject_id: Mapped[int | None] = mapped_column(comment="row of the fact's table")
    field: Mapped[str] = mapped_column(
        default="", comment="which of its facts, where a row has several"
    )
    subject_label: Mapped[str] = mapped_column(comment="layer 7, rod 2 pass 3 …")
    old_value: Mapped[text] = mapped_column(comment="as a person reads it")
    new_value: Mapped[text] = mapped_column(comment="as a person reads it")
    new_part_id: Mapped[int | None] = reference("part")
    new_number: Mapped[float | None] = mapped_column(
        comment="N·m, h, a number in the fact's unit, or the id of an instrument, person or lot"
    )
    new_time: Mapped[utc | None]
    new_facts: Mapped[text | None] = mapped_column(
        comment="RFC 8785 JSON of what else is right: of a finding or a layer added afterwards"
    )
    reason: Mapped[text]
    state: Mapped[CorrectionState] = mapped_column(word(CorrectionState))
    written_by_id: Mapped[int] = reference("person")
    written_at: Mapped[utc]
    content_sha256: Mapped[sha256] = mapped_column(comment="of its RFC 8785 JSON")
    deviation: Mapped[text | None] = mapped_column(
        comment="how the new value departs from what was set, as it read when it was asked about"
    )
    deviation_because: Mapped[text | None] = mapped_column(comment="why it stands all the same")
    unloaded_first: Mapped[bool | None] = mapped_column(
        comment="of a torque above the target: whether the stack was unloaded first"
    )


class Rests(StrEnum):
    """What somebody signed or made that rests on facts of a stack."""

    RECORD = "record"
    PLAN = "changeover plan"
    FAILING = "failing MEA"
    ACCEPTED = "accepted used part"
    JUDGEMENT = "judged readings"


class LookedAgain(Base):
    """Somebody's word that they looked again at what rests on facts corrected until then."""

    __tablename__ = "looked_again"
    __table_args__ = (Index("ix_looked_again_subject_id_of", "subject_id", "of_"),)
    id: Mapped[key]
    of: Mapped[Rests] = mapped_column("of_", word(Rests))
    subject_id: Mapped[int] = mapped_column(comment="row of what was looked at")
    note: Mapped[text] = mapped_column(default="", comment="what came of it")
    by_id: Mapped[int] = reference("person")
    looked_at: Mapped[utc]
