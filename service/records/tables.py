"""Rebuild records: one service event, entry by entry, frozen when handed in."""

from enum import StrEnum

from sqlalchemy import CheckConstraint, ForeignKey, Index, UniqueConstraint
from sqlalchemy.orm import Mapped, mapped_column

from service.limits.arithmetic.closing_modes import ClosingMode, HeldBy
from service.platform.arithmetic.vocabulary import (
    End,
    Facing,
    Press,
    ReadingKind,
    Stage,
    Whereabouts,
)
from service.platform.tables import Base, key, reference, sha256, text, unique_where, utc, word
from service.records.arithmetic.lab_words import WordList
from service.store.arithmetic.make_safe import SafeAct


class RecordKind(StrEnum):
    """What sort of event a record tells of."""

    FIRST_BUILD = "first build"
    REBUILD = "rebuild"
    TEARDOWN = "teardown"
    INSPECTION = "inspection"
    RE_TORQUE = "re-torque"
    TAKEN_OVER = "taken over"


class RecordState(StrEnum):
    """open → handed in → approved, or sent back → open again; void keeps its content."""

    OPEN = "open"
    HANDED_IN = "handed in"
    APPROVED = "approved"
    SENT_BACK = "sent back"
    VOID = "void"


class StepKind(StrEnum):
    """What an entry of a record says was done."""

    MAKE_SAFE = "make-safe line"
    EXCEPTION = "exception to make-safe"
    OPENED = "opened"
    LIFTED_OFF = "lifted off"
    PUT_ON = "put on"
    FIXING_REMOVED = "fixing removed"
    FIXING_FITTED = "fixing fitted"
    FINDING = "finding"
    TORQUE = "torque reading"
    HOURS = "hour reading"
    CLOSED = "closed"
    DEPARTURE = "departure from the design"
    CLOSING_CHECK = "closing check"
    LEAK_TEST = "leak test"
    INSULATION_TEST = "insulation test"
    SHORT_CHECK = "short check"
    NOT_DONE = "not done"
    TOOL_SET = "torque tool set"
    NUT_PRESSED = "nut tightened by a click tool"
    BUMP_TEST = "bump test"
    HANDOVER = "handover"
    CORNERS = "heights at corners"
    HELD = "nuts run down to hold"
    LEAK_SEARCH = "leak search"
    DONOR = "parts from another stack"


class Involvement(StrEnum):
    """How a person was part of an event."""

    WORKED = "worked on it"
    WITNESSED = "witnessed"


class Meaning(StrEnum):
    """What a decision's signature means."""

    APPROVED = "approved"
    SENT_BACK = "sent back"
    VOID = "void"
    CORRECTION_APPROVED = "correction approved"
    CORRECTION_REFUSED = "correction refused"


class RebuildRecord(Base):
    """One service event on one stack. Its number is its id."""

    __tablename__ = "rebuild_record"
    __table_args__ = (
        CheckConstraint(
            "closed_at IS NULL OR opened_at IS NULL OR closed_at >= opened_at",
            name="closed_after_opened",
        ),
        CheckConstraint(
            "state NOT IN ('handed in', 'approved') OR content_sha256 IS NOT NULL",
            name="handed_in_has_a_hash",
        ),
        unique_where(
            "uq_rebuild_record_stack_id_being_written",
            "stack_id",
            condition="state IN ('open', 'sent back')",
        ),
        Index("ix_rebuild_record_stack_id_performed_from", "stack_id", "performed_from"),
        Index("ix_rebuild_record_base_build_id", "base_build_id"),
        Index("ix_rebuild_record_state_handed_in_at", "state", "handed_in_at"),
    )
    id: Mapped[key]
    stack_id: Mapped[int] = reference("stack")
    kind: Mapped[RecordKind] = mapped_column(word(RecordKind))
    state: Mapped[RecordState] = mapped_column(word(RecordState))
    reason: Mapped[text]
    performed_from: Mapped[utc] = mapped_column(comment="when the work began")
    opened_at: Mapped[utc | None] = mapped_column(comment="when the clamp was released")
    closed_at: Mapped[utc | None] = mapped_column(comment="when the clamp was closed")
    written_by_id: Mapped[int] = reference("person", index=True)
    written_at: Mapped[utc]
    base_build_id: Mapped[int | None] = mapped_column(
        ForeignKey("build.id", ondelete="RESTRICT", use_alter=True), comment="it began from"
    )
    signed_base_build_id: Mapped[int | None] = mapped_column(
        ForeignKey("build.id", ondelete="RESTRICT", use_alter=True),
        comment="it was signed as beginning from, where an opening was inserted since",
    )
    version: Mapped[int] = mapped_column(
        comment="grows with every change; a form names the one it saw"
    )
    notes: Mapped[text] = mapped_column(default="")
    handed_in_at: Mapped[utc | None]
    handed_in_by_id: Mapped[int | None] = reference("person")
    content: Mapped[text | None] = mapped_column(comment="RFC 8785 JSON as handed in")
    content_sha256: Mapped[sha256 | None]


class RecordPerson(Base):
    """Somebody who worked on or witnessed an event."""

    __tablename__ = "record_person"
    record_id: Mapped[int] = reference("rebuild_record", primary_key=True)
    person_id: Mapped[int] = reference("person", primary_key=True, index=True)
    involvement: Mapped[Involvement] = mapped_column(word(Involvement), primary_key=True)
    known_from: Mapped[utc | None] = mapped_column(
        comment="named by a correction since then; empty: by those who wrote the record"
    )
    known_until: Mapped[utc | None] = mapped_column(comment="a correction says otherwise since")


class RecordPersonRemoved(Base):
    """Somebody who was named in a record and taken out of its head again; never forgotten."""

    __tablename__ = "record_person_removed"
    id: Mapped[key]
    record_id: Mapped[int] = reference("rebuild_record", index=True)
    person_id: Mapped[int] = reference("person", index=True)
    involvement: Mapped[Involvement] = mapped_column(word(Involvement))
    removed_by_id: Mapped[int] = reference("person")
    removed_at: Mapped[utc]


class Step(Base):
    """One entry of a record, in order; undone entries stay, struck out."""

    __tablename__ = "step"
    __table_args__ = (
        UniqueConstraint("record_id", "sequence"),
        CheckConstraint("(undone_at IS NULL) = (undone_by_id IS NULL)", name="undone_by_somebody"),
        CheckConstraint(
            "(kind = 'departure from the design') = (departs_from IS NOT NULL)",
            name="departure_names_its_finding",
        ),
        CheckConstraint(
            "(deviation IS NULL) = (deviation_because IS NULL)", name="deviation_has_its_reason"
        ),
        CheckConstraint(
            "unloaded_first IS NULL OR deviation IS NOT NULL", name="unloaded_before_a_deviation"
        ),
        CheckConstraint(
            "kind <> 'not done' OR (deviation_because IS NOT NULL AND deviation_because <> '')",
            name="not_done_has_its_reason",
        ),
        CheckConstraint(
            "(kind = 'parts from another stack') = (donor_id IS NOT NULL)", name="donor_is_named"
        ),
        unique_where("uq_step_part_id_standing", "part_id", condition="standing"),
        Index("ix_step_part_id", "part_id"),
        Index("ix_step_exposed_part_id", "exposed_part_id"),
        Index("ix_step_donor_id", "donor_id"),
    )
    id: Mapped[key]
    record_id: Mapped[int] = reference("rebuild_record")
    sequence: Mapped[int]
    kind: Mapped[StepKind] = mapped_column(word(StepKind))
    end: Mapped[End | None] = mapped_column("end_")
    part_id: Mapped[int | None] = reference("part")
    exposed_part_id: Mapped[int | None] = reference(
        "part", comment="left outermost by a lifting off"
    )
    facing: Mapped[Facing | None]
    rod_number: Mapped[int | None]
    standing: Mapped[bool] = mapped_column(
        comment="this entry now holds its part in an open record"
    )
    whereabouts_before: Mapped[Whereabouts | None] = mapped_column(
        comment="where its part was before this entry; undoing puts it back there"
    )
    place_before: Mapped[str] = mapped_column(default="", comment="and the place, in words")
    scanned: Mapped[text | None] = mapped_column(comment="text as scanned or typed")
    note: Mapped[text] = mapped_column(default="")
    departs_from: Mapped[text | None] = mapped_column(
        comment="finding of the check a departure accepts, as it read"
    )
    deviation: Mapped[text | None] = mapped_column(
        comment="how the entry departs from what was set, as it read when it was asked about;"
        " of what is not done: what is missing"
    )
    deviation_because: Mapped[text | None] = mapped_column(comment="why it stands all the same")
    unloaded_first: Mapped[bool | None] = mapped_column(
        comment="of a torque above the target: whether the stack was unloaded first"
    )
    act: Mapped[SafeAct | None] = mapped_column(
        word(SafeAct), comment="of make-safe: what it was done for; none: the opening"
    )
    donor_id: Mapped[int | None] = reference(
        "rebuild_record", comment="of another stack: its parts are lifted off there"
    )
    done_at: Mapped[utc]
    written_at: Mapped[utc]
    by_id: Mapped[int] = reference("person")
    undone_at: Mapped[utc | None]
    undone_by_id: Mapped[int | None] = reference("person")
    correction_id: Mapped[int | None] = reference(
        "correction", index=True, comment="that wrote this entry in place of another, or added it"
    )
    replaces_id: Mapped[int | None] = reference("step", comment="the entry as it was before")


class WaiverWhy(StrEnum):
    """Why a check is not witnessed."""

    ALONE = "one person in the laboratory"
    AWAY = "witness ill or away"
    LATE = "work outside working hours"
    OTHER = "another reason"


class WitnessWaiver(Base):
    """Leave to do without a witness: in one record, or of one person until a time. Never changed.

    It waives the witness of a make-safe line and nothing else: decisions need somebody else.
    """

    __tablename__ = "witness_waiver"
    __table_args__ = (
        CheckConstraint("(record_id IS NULL) <> (until_at IS NULL)", name="of_a_record_or_until"),
        CheckConstraint("(person_id IS NULL) = (until_at IS NULL)", name="until_of_a_person"),
        CheckConstraint("until_at > given_at", name="until_later"),
        CheckConstraint("given_by_id <> person_id", name="given_by_another"),
    )
    id: Mapped[key]
    record_id: Mapped[int | None] = reference("rebuild_record", index=True)
    person_id: Mapped[int | None] = reference(
        "person", index=True, comment="who works without a witness until then"
    )
    until_at: Mapped[utc | None]
    why: Mapped[WaiverWhy] = mapped_column(word(WaiverWhy))
    reason: Mapped[text]
    given_by_id: Mapped[int] = reference("person")
    given_at: Mapped[utc]


class MakeSafeLine(Base):
    """One check as recorded: a line of the make-safe checklist, or a check of the closing.

    Which of the two it is the kind of its entry says.
    """

    __tablename__ = "make_safe_line"
    __table_args__ = (
        CheckConstraint("waiver_id IS NULL OR witness_id IS NULL", name="witnessed_or_waived"),
    )
    id: Mapped[key]
    record_id: Mapped[int] = reference("rebuild_record", index=True)
    step_id: Mapped[int] = reference("step", unique=True)
    line_number: Mapped[int]
    wording: Mapped[text] = mapped_column(comment="of the design's line as it read then")
    reading: Mapped[float | None]
    unit: Mapped[str | None]
    instrument_id: Mapped[int | None] = reference("instrument", index=True)
    calibration_id: Mapped[int | None] = reference("calibration", comment="valid when it was taken")
    person_id: Mapped[int] = reference("person")
    witness_id: Mapped[int | None] = reference("person")
    waiver_id: Mapped[int | None] = reference(
        "witness_waiver", index=True, comment="that let it be done without a witness"
    )


class RecordMakeSafeList(Base):
    """The version of a make-safe list that was in force for an act when a record began."""

    __tablename__ = "record_make_safe_list"
    record_id: Mapped[int] = reference("rebuild_record", primary_key=True)
    act: Mapped[SafeAct] = mapped_column(word(SafeAct), primary_key=True)
    proposal_id: Mapped[int] = reference("proposed_change", comment="the version")


class BumpTest(Base):
    """One try of an instrument with a test gas; it counts for the site's day."""

    __tablename__ = "bump_test"
    __table_args__ = (Index("ix_bump_test_instrument_id", "instrument_id"),)
    id: Mapped[key]
    record_id: Mapped[int] = reference("rebuild_record", index=True)
    step_id: Mapped[int] = reference("step", unique=True)
    instrument_id: Mapped[int] = reference("instrument")
    gas: Mapped[str] = mapped_column(comment="test gas with its share, in words")
    reading: Mapped[float | None] = mapped_column(comment="shown, in unit")
    unit: Mapped[str]
    passed: Mapped[bool]
    person_id: Mapped[int] = reference("person")


class Handover(Base):
    """Work left by one person and taken on by another, with the state it was left in."""

    __tablename__ = "handover"
    __table_args__ = (CheckConstraint("from_person_id <> to_person_id", name="to_somebody_else"),)
    id: Mapped[key]
    record_id: Mapped[int] = reference("rebuild_record", index=True)
    step_id: Mapped[int] = reference("step", unique=True)
    from_person_id: Mapped[int] = reference("person")
    to_person_id: Mapped[int] = reference("person")
    pile: Mapped[text] = mapped_column(comment="state of the pile, in words")
    covers: Mapped[text] = mapped_column(comment="covers fitted, in words")


class WitnessConfirmation(Base):
    """A witness's own word on everything they are named for in a record until then."""

    __tablename__ = "witness_confirmation"
    id: Mapped[key]
    record_id: Mapped[int] = reference("rebuild_record", index=True)
    person_id: Mapped[int] = reference("person")
    confirmed_at: Mapped[utc] = mapped_column(comment="it covers what was written down until then")


class Finding(Base):
    """An observed condition of a part at an event, or the explicit word that none was seen."""

    __tablename__ = "finding"
    __table_args__ = (
        CheckConstraint("severity IS NULL OR severity BETWEEN 0 AND 3", name="severity_0_to_3"),
        CheckConstraint("area_percent > 0 AND area_percent <= 100", name="area_is_a_share"),
        CheckConstraint(
            "face IS NOT NULL OR (places IS NULL AND area_percent IS NULL)",
            name="place_is_on_a_face",
        ),
    )
    id: Mapped[key]
    record_id: Mapped[int] = reference("rebuild_record", index=True)
    step_id: Mapped[int] = reference("step", index=True)
    part_id: Mapped[int] = reference("part", index=True)
    condition: Mapped[str] = mapped_column(comment="the laboratory's word as it was then")
    code: Mapped[str | None] = mapped_column(
        index=True, comment="of the word; none: it stands alone"
    )
    severity: Mapped[int | None]
    where: Mapped[str] = mapped_column("where_", default="", comment="on the part, in words")
    note: Mapped[text] = mapped_column(default="")
    face: Mapped[str | None] = mapped_column(comment="of the part it is on")
    places: Mapped[str | None] = mapped_column(
        comment="squares A1 to F6 of the face, with spaces between"
    )
    area_percent: Mapped[float | None] = mapped_column(comment="% of the face")
    known_until: Mapped[utc | None] = mapped_column(
        comment="a correction withdrew it then, or put another in its place"
    )


class LabWordsVersion(Base):
    """One version of a list of the laboratory's words; the newest is in force. Never changed."""

    __tablename__ = "lab_words"
    __table_args__ = (
        UniqueConstraint("list", "version"),
        CheckConstraint("version >= 1", name="versions_count_from_one"),
    )
    id: Mapped[key]
    list: Mapped[WordList] = mapped_column(word(WordList))
    version: Mapped[int]
    content: Mapped[text] = mapped_column(comment="RFC 8785 JSON of all its words")
    content_sha256: Mapped[sha256]
    reason: Mapped[text]
    made_by_id: Mapped[int | None] = reference("person", comment="none: it came with the program")
    made_at: Mapped[utc]
    in_force_from: Mapped[utc]
    proposal_id: Mapped[int | None] = reference(
        "proposed_change", comment="approved by a second person"
    )


class ToolCheck(StrEnum):
    """When in a pass the setting of a click tool was checked."""

    BEFORE = "before"
    AFTER = "after"


class ToolSetting(Base):
    """What a click tool was set to in a pass, and what a tester read of it before or after."""

    __tablename__ = "tool_setting"
    __table_args__ = (
        CheckConstraint("set_nm > 0", name="set_to_more_than_zero"),
        CheckConstraint("(checked_nm IS NULL) = (tester_id IS NULL)", name="checked_on_a_tester"),
        CheckConstraint("moment = 'before' OR checked_nm IS NOT NULL", name="after_is_checked"),
        Index("ix_tool_setting_record_id", "record_id", "pass_number"),
    )
    id: Mapped[key]
    record_id: Mapped[int] = reference("rebuild_record")
    step_id: Mapped[int] = reference("step", unique=True)
    pass_number: Mapped[int]
    moment: Mapped[ToolCheck] = mapped_column(word(ToolCheck))
    set_nm: Mapped[float] = mapped_column(comment="N·m")
    entered: Mapped[str] = mapped_column(comment="as typed, with its unit")
    instrument_id: Mapped[int] = reference("instrument", index=True)
    calibration_id: Mapped[int | None] = reference("calibration", comment="valid when it was set")
    concession_id: Mapped[int | None] = reference("concession")
    checked_nm: Mapped[float | None] = mapped_column(comment="N·m, as the tester read; none: not")
    checked_entered: Mapped[str] = mapped_column(default="", comment="as typed, with its unit")
    tester_id: Mapped[int | None] = reference("instrument", index=True)
    tester_calibration_id: Mapped[int | None] = reference("calibration")
    tester_concession_id: Mapped[int | None] = reference("concession")


class HeldClosing(Base):
    """A closing to height or by press force: what held the stack while its nuts were run down."""

    __tablename__ = "held_closing"
    __table_args__ = (
        CheckConstraint("mode <> 'to torque'", name="held_otherwise_than_by_torque"),
        CheckConstraint(
            "mode <> 'to height' OR held_by IS NOT NULL", name="to_height_by_stop_or_gauge"
        ),
        CheckConstraint(
            "mode <> 'by press force' OR (force_kn IS NOT NULL AND height_before_mm IS NOT NULL)",
            name="by_force_with_its_readings",
        ),
        CheckConstraint("(force_kn IS NULL) = (load_cell_id IS NULL)", name="force_by_a_load_cell"),
        Index("ix_held_closing_record_id", "record_id"),
    )
    id: Mapped[key]
    record_id: Mapped[int] = reference("rebuild_record")
    step_id: Mapped[int] = reference("step", unique=True)
    mode: Mapped[ClosingMode] = mapped_column(word(ClosingMode), comment="as it was closed")
    held_by: Mapped[HeldBy | None] = mapped_column(word(HeldBy))
    press: Mapped[str] = mapped_column(default="", comment="mark on the press")
    force_kn: Mapped[float | None] = mapped_column(comment="held while the nuts were run down")
    load_cell_id: Mapped[int | None] = reference("instrument", index=True)
    load_cell_calibration_id: Mapped[int | None] = reference("calibration")
    load_cell_concession_id: Mapped[int | None] = reference("concession")
    height_before_mm: Mapped[float | None] = mapped_column(comment="under the press")
    height_after_mm: Mapped[float] = mapped_column(comment="once it was let off")
    gauge_id: Mapped[int] = reference("instrument", index=True)
    gauge_calibration_id: Mapped[int | None] = reference("calibration")
    gauge_concession_id: Mapped[int | None] = reference("concession")


class CornerHeightRead(Base):
    """The height of the closed stack at one corner, measured after a pass."""

    __tablename__ = "corner_height"
    __table_args__ = (
        UniqueConstraint("step_id", "corner"),
        CheckConstraint("height_mm > 0", name="height_is_more_than_zero"),
        Index("ix_corner_height_record_id", "record_id", "pass_number"),
    )
    id: Mapped[key]
    record_id: Mapped[int] = reference("rebuild_record")
    step_id: Mapped[int] = reference("step")
    pass_number: Mapped[int]
    corner: Mapped[str] = mapped_column(comment="its name as the design's figures had it")
    x_mm: Mapped[float] = mapped_column(comment="from the plate's middle, as it was then")
    y_mm: Mapped[float]
    height_mm: Mapped[float] = mapped_column(comment="over both compression plates")
    instrument_id: Mapped[int] = reference("instrument", index=True)
    calibration_id: Mapped[int | None] = reference("calibration", comment="valid when it was taken")
    concession_id: Mapped[int | None] = reference("concession")


class TorqueReading(Base):
    """One nut in one pass with one instrument: a reading, or how it answered a click tool."""

    __tablename__ = "torque_reading"
    __table_args__ = (
        CheckConstraint("torque_nm >= 0", name="torque_is_not_negative"),
        CheckConstraint("pass_number >= 1", name="passes_count_from_one"),
        CheckConstraint("(press IS NULL) = (setting_id IS NULL)", name="pressed_at_a_setting"),
        Index("ix_torque_reading_record_id", "record_id", "rod_number"),
        Index("ix_torque_reading_instrument_id", "instrument_id", "taken_at"),
    )
    id: Mapped[key]
    record_id: Mapped[int] = reference("rebuild_record")
    step_id: Mapped[int] = reference("step", index=True)
    rod_number: Mapped[int]
    pass_number: Mapped[int]
    stage: Mapped[Stage]
    kind: Mapped[ReadingKind]
    torque_nm: Mapped[float] = mapped_column(
        comment="N·m; of a pressed nut no reading, but what the tool was set to"
    )
    entered: Mapped[str] = mapped_column(comment="as typed, with its unit")
    press: Mapped[Press | None] = mapped_column(
        word(Press), comment="how the nut answered a click tool; none: it was read"
    )
    setting_id: Mapped[int | None] = reference("tool_setting")
    instrument_id: Mapped[int] = reference("instrument")
    calibration_id: Mapped[int | None] = reference("calibration", comment="valid when it was taken")
    concession_id: Mapped[int | None] = reference("concession")
    taken_at: Mapped[utc]
    by_id: Mapped[int] = reference("person")
    known_from: Mapped[utc]
    known_until: Mapped[utc | None]
    correction_id: Mapped[int | None] = reference("correction")
    replaces_id: Mapped[int | None] = reference("torque_reading")


class VoidProposal(Base):
    """Somebody's word that a record with entries be made void; somebody else confirms it."""

    __tablename__ = "void_proposal"
    id: Mapped[key]
    record_id: Mapped[int] = reference("rebuild_record", index=True)
    record_version: Mapped[int] = mapped_column(
        comment="of the record proposed; at another one it has lapsed"
    )
    proposed_by_id: Mapped[int] = reference("person")
    proposed_at: Mapped[utc]
    reason: Mapped[text]


class Decision(Base):
    """A signature: who decided what on which content, and what it means. Never changed."""

    __tablename__ = "decision"
    __table_args__ = (
        Index("ix_decision_record_id", "record_id"),
        Index("ix_decision_correction_id", "correction_id"),
    )
    id: Mapped[key]
    record_id: Mapped[int] = reference("rebuild_record")
    correction_id: Mapped[int | None] = reference("correction")
    meaning: Mapped[Meaning] = mapped_column(word(Meaning))
    person_id: Mapped[int] = reference("person")
    person_name: Mapped[str] = mapped_column(comment="as of then")
    person_roles: Mapped[str] = mapped_column(comment="as of then")
    at: Mapped[utc]
    content_sha256: Mapped[sha256 | None] = mapped_column(comment="of what was signed")
    reason: Mapped[text] = mapped_column(default="")
    remarks: Mapped[text | None] = mapped_column(comment="what stood beside the signature")
