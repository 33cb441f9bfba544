"""Part types, lots and parts. A part's three axes stand apart: place, usability, reservation."""

from enum import StrEnum

from sqlalchemy import CheckConstraint, Index, UniqueConstraint
from sqlalchemy import text as sql
from sqlalchemy.orm import Mapped, mapped_column

from service.platform.arithmetic.vocabulary import (
    Back,
    Facing,
    Joint,
    Kind,
    Material,
    Side,
    Usability,
    Whereabouts,
)
from service.platform.tables import Base, key, reference, sha256, text, unique_where, utc, word
from service.store.arithmetic.acceptance import Basis
from service.store.arithmetic.calibrations import AsLeft, CalibrationResult
from service.store.arithmetic.instrument_errors import Coverage
from service.store.arithmetic.instruments import (
    GasMatrix,
    InstrumentKind,
    Principle,
    TorqueTool,
)
from service.store.arithmetic.lot_roles import LotRole
from service.store.arithmetic.make_safe import SafeAct


class KeptOnAShelf:
    """Of a lot or a part: its bag opened, and a shelf life that was extended after inspection."""

    bag_opened_at: Mapped[utc | None]
    bag_opened_by_id: Mapped[int | None] = reference("person")
    bag_good_until: Mapped[utc | None] = mapped_column(
        comment="by the open life of its type when the bag was opened; none: no limit"
    )
    extended_to: Mapped[utc | None] = mapped_column(comment="by an approved proposal")
    extended_at: Mapped[utc | None] = mapped_column(comment="when the extension was proposed")


SHELF_CHECKS = {
    "bag_opened_by_somebody": "(bag_opened_at IS NULL) = (bag_opened_by_id IS NULL)",
    "bag_good_once_opened": "bag_good_until >= bag_opened_at",
    "extended_at_a_time": "(extended_to IS NULL) = (extended_at IS NULL)",
    "extended_ahead": "extended_to > extended_at",
}


class PartType(Base):
    """What a part is: kind, drawing, thickness, limits."""

    __tablename__ = "part_type"
    __table_args__ = (
        UniqueConstraint("drawing_number", "revision"),
        CheckConstraint("thickness_mm IS NULL OR thickness_mm > 0", name="thickness_is_positive"),
    )
    id: Mapped[key]
    kind: Mapped[Kind]
    name: Mapped[str]
    drawing_number: Mapped[str]
    revision: Mapped[str]
    material: Mapped[Material]
    thickness_mm: Mapped[float | None] = mapped_column(comment="mm, as fitted")
    side: Mapped[Side | None] = mapped_column(comment="gas a half plate meets")
    back: Mapped[Back] = mapped_column(comment="coolant face of a half plate or collector")
    joint: Mapped[Joint | None] = mapped_column(comment="joint a gasket seals")
    marked_face: Mapped[str | None] = mapped_column(
        comment="the face facing tells of, if it matters"
    )
    counted: Mapped[bool] = mapped_column(comment="items of a lot without serials of their own")
    renew_at_opening: Mapped[bool]
    openings_most: Mapped[int | None] = mapped_column(comment="openings a part may live through")
    hours_most: Mapped[float | None] = mapped_column(comment="h of operation")
    shelf_life_months: Mapped[int | None] = mapped_column(comment="months from making")
    open_life_days: Mapped[int | None] = mapped_column(comment="days from opening the bag")
    stiffness: Mapped[text | None] = mapped_column(
        comment="JSON: what it gives under load; none: not known"
    )
    made_at: Mapped[utc]


class Lot(KeptOnAShelf, Base):
    """Parts delivered or made together."""

    __tablename__ = "lot"
    __table_args__ = (
        UniqueConstraint("part_type_id", "label_key"),
        CheckConstraint("quantity IS NULL OR quantity >= 0", name="quantity_is_not_negative"),
        *(CheckConstraint(condition, name=name) for name, condition in SHELF_CHECKS.items()),
    )
    id: Mapped[key]
    part_type_id: Mapped[int] = reference("part_type")
    label: Mapped[str] = mapped_column(comment="as typed")
    label_key: Mapped[str] = mapped_column(index=True, comment="without regard to case and space")
    supplier: Mapped[str] = mapped_column(default="")
    received_at: Mapped[utc | None]
    produced_at: Mapped[utc | None]
    expires_at: Mapped[utc | None]
    quantity: Mapped[int | None] = mapped_column(comment="items received; none: not known")
    notes: Mapped[text] = mapped_column(default="")


class LotInput(Base):
    """A lot that went into another one: a roll, an ink, a mould, a coating from its day on."""

    __tablename__ = "lot_input"
    __table_args__ = (
        UniqueConstraint("lot_id", "input_lot_id", "role"),
        Index("ix_lot_input_input_lot_id", "input_lot_id"),
    )
    id: Mapped[key]
    lot_id: Mapped[int] = reference("lot")
    input_lot_id: Mapped[int] = reference("lot")
    role: Mapped[LotRole] = mapped_column(word(LotRole))
    since: Mapped[utc | None] = mapped_column(comment="counts from then; none: from its making")


FITTED_NOT_INSPECTED = sql("usability = 'not inspected' AND stack_id IS NOT NULL")


class Part(KeptOnAShelf, Base):
    """One physical object with a serial, or one counted item taken from a lot.

    A part is in at most one place: it has one row, and a fitted part names one stack.
    """

    __tablename__ = "part"
    __table_args__ = (
        UniqueConstraint("part_type_id", "maker_key", "serial_key"),
        UniqueConstraint("lot_id", "item_number"),
        CheckConstraint("(serial IS NULL) = (serial_key IS NULL)", name="serial_has_its_key"),
        CheckConstraint(
            "serial IS NOT NULL OR (lot_id IS NOT NULL AND item_number IS NOT NULL)",
            name="serial_or_item_of_a_lot",
        ),
        CheckConstraint(
            "(whereabouts = 'fitted') = (stack_id IS NOT NULL)", name="fitted_in_one_stack"
        ),
        CheckConstraint("hours_before >= 0", name="hours_before_are_not_negative"),
        CheckConstraint(
            "is_part_id IS NULL OR temporary_number IS NOT NULL", name="another_if_temporary"
        ),
        CheckConstraint("is_part_id <> id", name="is_another_part"),
        CheckConstraint("(is_part_id IS NULL) = (came_over IS NULL)", name="says_what_came_over"),
        CheckConstraint(
            "temporary_number IS NULL OR is_part_id IS NOT NULL"
            " OR usability IN ('on hold', 'under concession')",
            name="not_identified_is_held",
        ),
        CheckConstraint(
            "hours_before_unknown IS NOT TRUE OR hours_before = 0", name="unknown_hours_are_none"
        ),
        CheckConstraint(
            "measured_thickness_mm IS NULL OR measured_thickness_mm > 0",
            name="measured_thickness_is_positive",
        ),
        *(CheckConstraint(condition, name=name) for name, condition in SHELF_CHECKS.items()),
        Index("ix_part_serial_key", "serial_key"),
        Index("ix_part_stack_id", "stack_id"),
        Index("ix_part_is_part_id", "is_part_id"),
        Index("ix_part_lot_place", "lot_id", "stack_id", "whereabouts", "usability"),
        Index("ix_part_type_place", "part_type_id", "whereabouts", "usability"),
        Index("ix_part_reserved_for_stack_id", "reserved_for_stack_id"),
        Index(
            "ix_part_hours_before_unknown",
            "hours_before_unknown",
            sqlite_where=sql("hours_before_unknown IS NOT NULL"),
            postgresql_where=sql("hours_before_unknown IS NOT NULL"),
        ),
        Index(
            "ix_part_stack_id_not_inspected",
            "stack_id",
            sqlite_where=FITTED_NOT_INSPECTED,
            postgresql_where=FITTED_NOT_INSPECTED,
        ),
    )
    id: Mapped[key]
    part_type_id: Mapped[int] = reference("part_type")
    lot_id: Mapped[int | None] = reference("lot")
    serial: Mapped[str | None] = mapped_column(comment="as typed")
    serial_key: Mapped[str | None] = mapped_column(comment="without regard to case and space")
    maker: Mapped[str] = mapped_column(default="", comment="as typed; empty: not known")
    maker_key: Mapped[str] = mapped_column(default="", comment="without regard to case and space")
    item_number: Mapped[int | None] = mapped_column(comment="of a counted item in its lot, from 1")
    hours_before: Mapped[float] = mapped_column(default=0.0, comment="h it came with")
    hours_before_unknown: Mapped[bool | None] = mapped_column(
        comment="nobody knows how long it ran before it came; none: not said"
    )
    measured_thickness_mm: Mapped[float | None] = mapped_column(
        comment="mm, free, by incoming inspection; none: not measured"
    )
    whereabouts: Mapped[Whereabouts]
    stack_id: Mapped[int | None] = reference("stack")
    place: Mapped[str] = mapped_column(default="", comment="shelf, tray or address, in words")
    usability: Mapped[Usability]
    reserved_for_stack_id: Mapped[int | None] = reference("stack")
    notes: Mapped[text] = mapped_column(default="")
    added_at: Mapped[utc]
    temporary_number: Mapped[int | None] = mapped_column(
        unique=True, comment="of a part without a readable serial; its serial is made of it"
    )
    is_part_id: Mapped[int | None] = reference(
        "part", comment="which part it was found to be; none: not identified, or no temporary one"
    )
    came_over: Mapped[text | None] = mapped_column(
        comment="JSON of what that part was given with it, to be taken back"
    )


# Holds on parts, lots, part types, designs, instruments and stacks; concessions allow one use in
# spite. A stack has none: it is free again once its hold is lifted.


ONE_SUBJECT = (
    "(CASE WHEN part_id IS NULL THEN 0 ELSE 1 END)"
    " + (CASE WHEN lot_id IS NULL THEN 0 ELSE 1 END)"
    " + (CASE WHEN part_type_id IS NULL THEN 0 ELSE 1 END)"
    " + (CASE WHEN design_id IS NULL THEN 0 ELSE 1 END)"
    " + (CASE WHEN instrument_id IS NULL THEN 0 ELSE 1 END)"
)


STANDING = sql("lifted_at IS NULL")
ON_STACK = sql("stack_id IS NOT NULL")


class Hold(Base):
    """A part, lot, part type, design, instrument or stack that must not be used; the reason."""

    __tablename__ = "hold"
    __table_args__ = (
        CheckConstraint(
            f"{ONE_SUBJECT} + (CASE WHEN stack_id IS NULL THEN 0 ELSE 1 END) = 1",
            name="on_one_subject",
        ),
        CheckConstraint("(lifted_at IS NULL) = (lifted_by_id IS NULL)", name="lifted_by_somebody"),
        CheckConstraint("step_id IS NULL OR failing_mark_id IS NULL", name="placed_by_one_word"),
        Index("ix_hold_part_id", "part_id", sqlite_where=STANDING, postgresql_where=STANDING),
        Index("ix_hold_lot_id", "lot_id", sqlite_where=STANDING, postgresql_where=STANDING),
        Index(
            "ix_hold_part_type_id", "part_type_id", sqlite_where=STANDING, postgresql_where=STANDING
        ),
        Index("ix_hold_design_id", "design_id", sqlite_where=STANDING, postgresql_where=STANDING),
        Index(
            "ix_hold_instrument_id",
            "instrument_id",
            sqlite_where=STANDING,
            postgresql_where=STANDING,
        ),
        Index("ix_hold_stack_id", "stack_id", sqlite_where=ON_STACK, postgresql_where=ON_STACK),
    )
    id: Mapped[key]
    part_id: Mapped[int | None] = reference("part")
    lot_id: Mapped[int | None] = reference("lot")
    part_type_id: Mapped[int | None] = reference("part_type")
    design_id: Mapped[int | None] = reference("design")
    instrument_id: Mapped[int | None] = reference("instrument")
    stack_id: Mapped[int | None] = reference("stack")
    usability_before: Mapped[Usability | None] = mapped_column(
        comment="of a held part, given back when its last hold is lifted"
    )
    reason: Mapped[text]
    placed_by_id: Mapped[int] = reference("person")
    placed_at: Mapped[utc]
    lifted_by_id: Mapped[int | None] = reference("person")
    lifted_at: Mapped[utc | None]
    lift_reason: Mapped[text] = mapped_column(default="")
    step_id: Mapped[int | None] = reference("step", comment="entry whose finding placed it")
    failing_mark_id: Mapped[int | None] = reference(
        "failing_mark", comment="word of failing that placed it"
    )


class Concession(Base):
    """Leave to use a held part or an instrument out of calibration in one record."""

    __tablename__ = "concession"
    __table_args__ = (
        CheckConstraint(f"{ONE_SUBJECT} = 1", name="about_one_subject"),
        Index("ix_concession_part_id", "part_id"),
        Index("ix_concession_lot_id", "lot_id"),
        Index("ix_concession_part_type_id", "part_type_id"),
        Index("ix_concession_design_id", "design_id"),
        Index("ix_concession_instrument_id", "instrument_id"),
    )
    id: Mapped[key]
    part_id: Mapped[int | None] = reference("part")
    lot_id: Mapped[int | None] = reference("lot")
    part_type_id: Mapped[int | None] = reference("part_type")
    design_id: Mapped[int | None] = reference("design")
    instrument_id: Mapped[int | None] = reference("instrument")
    reason: Mapped[text]
    given_by_id: Mapped[int] = reference("person")
    given_at: Mapped[utc]
    used_in_record_id: Mapped[int | None] = reference("rebuild_record", index=True)


class Inspection(Base):
    """A part that is to be looked at before it is used again, until somebody decides on it."""

    __tablename__ = "inspection"
    __table_args__ = (
        CheckConstraint("(decided_at IS NULL) = (decided_by_id IS NULL)", name="by_somebody"),
        Index(
            "ix_inspection_part_id",
            "part_id",
            sqlite_where=sql("decided_at IS NULL"),
            postgresql_where=sql("decided_at IS NULL"),
        ),
        Index("ix_inspection_step_id", "step_id"),
    )
    id: Mapped[key]
    part_id: Mapped[int] = reference("part")
    step_id: Mapped[int] = reference("step", comment="entry whose finding asks for it")
    seen: Mapped[text] = mapped_column(comment="what was found, in words")
    usability_before: Mapped[Usability] = mapped_column(comment="given back with the undo")
    asked_at: Mapped[utc]
    decided_at: Mapped[utc | None] = mapped_column(comment="none: it waits for a decision")
    decided_by_id: Mapped[int | None] = reference("person")


class AcceptedUsed(Base):
    """What a used part was accepted on and how far: the newest of a part counts. Never changed."""

    __tablename__ = "accepted_used"
    __table_args__ = (
        CheckConstraint("until_hours_h > 0", name="hours_are_positive"),
        CheckConstraint("until_openings >= 0", name="openings_are_not_negative"),
        CheckConstraint("thickness_mm > 0", name="thickness_is_positive"),
        CheckConstraint("cell_to >= cell_from", name="cells_in_order"),
        CheckConstraint("finding_id IS NULL OR basis = 'finding'", name="a_finding_is_its_basis"),
    )
    id: Mapped[key]
    part_id: Mapped[int] = reference("part", index=True)
    finding_id: Mapped[int | None] = reference(
        "finding", comment="it rests on; none where it was accepted before that was kept"
    )
    basis: Mapped[Basis] = mapped_column(word(Basis))
    thickness_mm: Mapped[float | None] = mapped_column(comment="mm, measured then")
    leak: Mapped[str] = mapped_column(default="", comment="found then, with its unit")
    leak_test_id: Mapped[int | None] = reference("part_leak_test", comment="it rests on")
    hours_h: Mapped[float | None] = mapped_column(comment="h it had then")
    until_hours_h: Mapped[float | None] = mapped_column(comment="h in all")
    until_openings: Mapped[int | None] = mapped_column(comment="openings in all")
    design_id: Mapped[int | None] = reference("design", comment="for this design only")
    cell_from: Mapped[int | None]
    cell_to: Mapped[int | None]
    same_anode_side: Mapped[bool]
    facing_before: Mapped[Facing | None] = mapped_column(
        comment="which end its marked face looked at last"
    )
    by_id: Mapped[int | None] = reference("person", comment="none: it was not recorded")
    at: Mapped[utc]


# Instruments and their calibrations.


class Instrument(Base):
    """One measuring or setting tool with its own mark."""

    __tablename__ = "instrument"
    __table_args__ = (
        *(
            CheckConstraint(f"accuracy_{part} >= 0", name=f"accuracy_{name}_is_not_negative")
            for part, name in (
                ("percent", "of_reading"),
                ("offset", "offset"),
                ("full_scale_percent", "of_full_scale"),
            )
        ),
        CheckConstraint("resolution >= 0", name="resolution_is_not_negative"),
        CheckConstraint(
            "(kind = 'torque driver') = (tool IS NOT NULL)", name="torque_driver_says_its_type"
        ),
    )
    id: Mapped[key]
    kind: Mapped[InstrumentKind] = mapped_column(word(InstrumentKind))
    tool: Mapped[TorqueTool | None] = mapped_column(
        word(TorqueTool), comment="type of a torque driver; a click or slipping tool reads nothing"
    )
    label: Mapped[str] = mapped_column(comment="mark on the tool, as typed")
    label_key: Mapped[str] = mapped_column(unique=True)
    description: Mapped[str] = mapped_column(default="")
    range_least: Mapped[float | None]
    range_most: Mapped[float | None]
    unit: Mapped[str] = mapped_column(default="", comment="of the range")
    accuracy_percent: Mapped[float | None] = mapped_column(
        comment="± % of reading; none of the three stated: as is usual for its kind"
    )
    accuracy_offset: Mapped[float | None] = mapped_column(comment="±, in unit")
    accuracy_full_scale_percent: Mapped[float | None] = mapped_column(comment="± % of range_most")
    accuracy_coverage: Mapped[Coverage] = mapped_column(
        word(Coverage), default=Coverage.GREATEST, comment="what the three cover"
    )
    resolution: Mapped[float | None] = mapped_column(comment="smallest step shown, in unit")
    principle: Mapped[Principle | None] = mapped_column(
        word(Principle), comment="how an instrument for gases senses"
    )
    gas_matrix: Mapped[GasMatrix | None] = mapped_column(
        word(GasMatrix), comment="gas it reads another gas in"
    )
    in_use: Mapped[bool]
    added_at: Mapped[utc]


class Calibration(Base):
    """One calibration: valid until it is due, by date or operations. Corrected by a new row."""

    __tablename__ = "calibration"
    __table_args__ = (
        CheckConstraint("due_at > done_at", name="due_after_done"),
        CheckConstraint("due_operations > 0", name="due_after_operations"),
        Index("ix_calibration_instrument_id_done_at", "instrument_id", "done_at"),
    )
    id: Mapped[key]
    instrument_id: Mapped[int] = reference("instrument")
    done_at: Mapped[utc]
    due_at: Mapped[utc]
    due_operations: Mapped[int | None] = mapped_column(comment="or after so many; none: not so")
    certificate: Mapped[str]
    result: Mapped[CalibrationResult] = mapped_column(word(CalibrationResult))
    as_left: Mapped[AsLeft | None] = mapped_column(word(AsLeft), comment="none: not adjusted")
    error_percent: Mapped[float | None] = mapped_column(
        comment="as found, shown less true, % of reading"
    )
    error_offset: Mapped[float | None] = mapped_column(comment="the same, in the unit")
    error_full_scale_percent: Mapped[float | None] = mapped_column(comment="the same, % of range")
    notes: Mapped[text] = mapped_column(default="")
    written_by_id: Mapped[int] = reference("person")
    written_at: Mapped[utc]
    known_until: Mapped[utc | None] = mapped_column(comment="when a correction took its place")
    replaces_id: Mapped[int | None] = reference("calibration", comment="what it corrects")


class CalibrationPoint(Base):
    """One point of a calibration, in the instrument's unit."""

    __tablename__ = "calibration_point"
    __table_args__ = (UniqueConstraint("calibration_id", "number"),)
    id: Mapped[key]
    calibration_id: Mapped[int] = reference("calibration")
    number: Mapped[int]
    reference: Mapped[float] = mapped_column(comment="true value")
    as_found: Mapped[float | None] = mapped_column(comment="shown before any adjustment")
    as_left: Mapped[float | None] = mapped_column(comment="shown after it")


class InstrumentAway(Base):
    """An instrument away for calibration or repair; none is used meanwhile."""

    __tablename__ = "instrument_away"
    __table_args__ = (
        CheckConstraint("back_at > away_from", name="back_after_away"),
        CheckConstraint("(back_at IS NULL) = (back_by_id IS NULL)", name="back_by_somebody"),
        unique_where("ix_instrument_away_now", "instrument_id", condition="back_at IS NULL"),
        Index("ix_instrument_away_instrument_id", "instrument_id", "away_from"),
    )
    id: Mapped[key]
    instrument_id: Mapped[int] = reference("instrument")
    away_from: Mapped[utc]
    back_at: Mapped[utc | None]
    place: Mapped[str] = mapped_column(comment="where it is, or was")
    written_by_id: Mapped[int] = reference("person")
    written_at: Mapped[utc]
    back_by_id: Mapped[int | None] = reference("person")


class InstrumentDevice(Base):
    """From when on another device bears the mark of an instrument, or has its sensor swapped."""

    __tablename__ = "instrument_device"
    __table_args__ = (UniqueConstraint("instrument_id", "from_at"),)
    id: Mapped[key]
    instrument_id: Mapped[int] = reference("instrument")
    from_at: Mapped[utc]
    device: Mapped[str] = mapped_column(comment="maker's serial, or what was swapped")
    reason: Mapped[text]
    written_by_id: Mapped[int] = reference("person")
    written_at: Mapped[utc]


class UseDecision(StrEnum):
    """What follows for a build from an instrument that cannot be trusted."""

    ACCEPT = "accept with the reason"
    TEST_AGAIN = "test again"
    HOLD = "hold"


class UseJudgement(Base):
    """One signed judgement of one build: what its readings with one instrument are worth."""

    __tablename__ = "use_judgement"
    __table_args__ = (
        Index("ix_use_judgement_build_id_instrument_id", "build_id", "instrument_id"),
    )
    id: Mapped[key]
    build_id: Mapped[int] = reference("build")
    instrument_id: Mapped[int] = reference("instrument")
    calibration_id: Mapped[int | None] = reference(
        "calibration", comment="that found it out of tolerance; none: it had none that held"
    )
    decision: Mapped[UseDecision] = mapped_column(word(UseDecision))
    reason: Mapped[text]
    content: Mapped[text] = mapped_column(comment="RFC 8785 JSON of what was judged")
    content_sha256: Mapped[sha256]
    signed_by_id: Mapped[int] = reference("person")
    signed_at: Mapped[utc]
    remarks: Mapped[text | None] = mapped_column(comment="what stood beside the signature")


# Changes of what verdicts rest on, which wait for somebody else to approve them.


class ChangeKind(StrEnum):
    """What a proposed change is about."""

    STIFFNESS = "stiffness"
    FAILING_RULE = "failing rule"
    PATTERN = "pattern"
    LAB_WORDS = "lab words"
    CALIBRATION = "calibration"
    MAKE_SAFE_LIST = "make-safe list"
    LOT_SHELF_LIFE = "lot shelf life"
    PART_SHELF_LIFE = "part shelf life"
    TAP_MAP = "tap map"
    IDENTITY = "identity"


class ProposedChange(Base):
    """A change proposed by one person, in force once another has approved it."""

    __tablename__ = "proposed_change"
    __table_args__ = (
        CheckConstraint(
            "(approved_at IS NULL) = (approved_by_id IS NULL)", name="approved_by_somebody"
        ),
        CheckConstraint(
            "approved_by_id IS NULL OR approved_by_id <> made_by_id", name="approved_by_another"
        ),
        CheckConstraint(
            "made_by_id IS NOT NULL OR kind = 'make-safe list'", name="made_by_somebody"
        ),
        Index("ix_proposed_change_kind_subject_id", "kind", "subject_id"),
    )
    id: Mapped[key]
    kind: Mapped[ChangeKind] = mapped_column(word(ChangeKind))
    subject_id: Mapped[int] = mapped_column(
        comment="part type, design, calibration, make-safe list, lot, part or stack"
    )
    subject_label: Mapped[str]
    content: Mapped[text] = mapped_column(comment="RFC 8785 JSON of what is wanted")
    content_sha256: Mapped[sha256]
    changes: Mapped[text] = mapped_column(comment="JSON list of [field, before, after]")
    source: Mapped[text]
    reason: Mapped[text]
    made_by_id: Mapped[int | None] = reference(
        "person", comment="none: carried over from checklists of designs"
    )
    made_at: Mapped[utc]
    approved_by_id: Mapped[int | None] = reference("person")
    approved_at: Mapped[utc | None]
    remarks: Mapped[text | None] = mapped_column(comment="what stood beside the approval")


# Make-safe lists of the site. A version of a list is a proposed change that was approved.


class MakeSafeList(Base):
    """What has to be recorded before an act at a place: its versions are `ProposedChange` rows."""

    __tablename__ = "make_safe_list"
    __table_args__ = (
        unique_where(
            "uq_make_safe_list_act_place_key",
            "act",
            "place_key",
            condition="carried_from = ''",
        ),
    )
    id: Mapped[key]
    act: Mapped[SafeAct] = mapped_column(word(SafeAct))
    place: Mapped[str] = mapped_column(comment="bench or place as typed; empty: everywhere")
    place_key: Mapped[str] = mapped_column(comment="without regard to case and space")
    carried_from: Mapped[text] = mapped_column(
        default="", comment="designs whose checklist it was; empty: written for the site"
    )
    made_at: Mapped[utc]


class MakeSafeListDesign(Base):
    """A design whose stacks a list carried over is for; without any it is for all stacks."""

    __tablename__ = "make_safe_list_design"
    list_id: Mapped[int] = reference("make_safe_list", primary_key=True)
    design_id: Mapped[int] = reference("design", primary_key=True, index=True)
