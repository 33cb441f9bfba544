"""Designs: what a family of stacks is meant to be."""

from sqlalchemy import CheckConstraint, UniqueConstraint
from sqlalchemy.orm import Mapped, mapped_column

from service.platform.tables import Base, key, reference, text, utc


class Design(Base):
    """One revision of a design; frozen once a stack uses it."""

    __tablename__ = "design"
    __table_args__ = (
        UniqueConstraint("name", "revision"),
        CheckConstraint("active_area_cm2 > 0", name="active_area_is_positive"),
        CheckConstraint("least_cells >= 1 AND most_cells >= least_cells", name="cells_in_order"),
        CheckConstraint("target_torque_nm > 0", name="target_torque_is_positive"),
        CheckConstraint("torque_tolerance_percent >= 0", name="tolerance_is_not_negative"),
        CheckConstraint("tightening_passes >= 1", name="at_least_one_pass"),
        CheckConstraint("rod_sleeves >= 0", name="sleeves_are_not_negative"),
        CheckConstraint("rod_disc_springs >= 0", name="disc_springs_are_not_negative"),
        CheckConstraint("rod_nuts >= 0", name="nuts_are_not_negative"),
    )
    id: Mapped[key]
    name: Mapped[str]
    revision: Mapped[str]
    active_area_cm2: Mapped[float] = mapped_column(comment="cm², of one cell")
    least_cells: Mapped[int]
    most_cells: Mapped[int]
    cooling: Mapped[str] = mapped_column(comment="in words: which layers carry coolant")
    plate_width_mm: Mapped[float] = mapped_column(comment="mm, compression plate, along x")
    plate_height_mm: Mapped[float] = mapped_column(comment="mm, compression plate, along y")
    rod_length_mm: Mapped[float] = mapped_column(comment="mm")
    target_torque_nm: Mapped[float] = mapped_column(comment="N·m, last pass")
    torque_tolerance_percent: Mapped[float] = mapped_column(comment="% of the target")
    tightening_passes: Mapped[int]
    pattern: Mapped[text | None] = mapped_column(
        comment="order of the layers as TOML; none: not kept"
    )
    rod_sleeves: Mapped[int | None] = mapped_column(comment="on each rod; none: not said")
    rod_disc_springs: Mapped[int | None] = mapped_column(comment="on each rod; none: not said")
    rod_nuts: Mapped[int | None] = mapped_column(comment="on each rod; none: not said")
    notes: Mapped[text] = mapped_column(default="")
    made_at: Mapped[utc]
    frozen_at: Mapped[utc | None] = mapped_column(comment="first stack made to it")


class DesignRod(Base):
    """Where a tie rod stands, seen on the fixed end's compression plate."""

    __tablename__ = "design_rod"
    __table_args__ = (UniqueConstraint("design_id", "number"),)
    id: Mapped[key]
    design_id: Mapped[int] = reference("design")
    number: Mapped[int]
    x_mm: Mapped[float] = mapped_column(comment="mm from the plate's middle")
    y_mm: Mapped[float] = mapped_column(comment="mm from the plate's middle, upward")
    turn: Mapped[int] = mapped_column(comment="place in the tightening order, from 1")


class DesignPort(Base):
    """An opening for a fluid on an end of the stack."""

    __tablename__ = "design_port"
    id: Mapped[key]
    design_id: Mapped[int] = reference("design", index=True)
    end: Mapped[str] = mapped_column(comment="fixed end or free end")
    fluid: Mapped[str] = mapped_column(comment="fuel, air or coolant")
    label: Mapped[str] = mapped_column(comment="as marked: fuel in, air out …")


class ChecklistLine(Base):
    """One line of the make-safe checklist a design asks for before an opening."""

    __tablename__ = "checklist_line"
    __table_args__ = (UniqueConstraint("design_id", "number"),)
    id: Mapped[key]
    design_id: Mapped[int] = reference("design")
    number: Mapped[int]
    wording: Mapped[text]
    unit: Mapped[str | None] = mapped_column(comment="of the reading asked for; none: no reading")
    reading_most: Mapped[float | None] = mapped_column(comment="greatest reading accepted, in unit")
    needs_instrument: Mapped[bool]
    needs_witness: Mapped[bool]
