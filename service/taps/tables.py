"""Which voltage channel reads which cell, and cells bridged in service."""

from sqlalchemy import CheckConstraint, Index
from sqlalchemy.orm import Mapped, mapped_column

from service.platform.tables import Base, key, reference, text, unique_where, utc
from service.stacks.tables import KNOWN_NOW


class TapMap(Base):
    """Channels of a stack's voltage monitor and the cells they read, until the next map."""

    __tablename__ = "tap_map"
    __table_args__ = (
        CheckConstraint("known_until IS NULL OR known_until >= known_from", name="known_in_order"),
        unique_where(
            "uq_tap_map_stack_id_valid_from_known_now",
            "stack_id",
            "valid_from",
            condition=KNOWN_NOW,
        ),
        Index("ix_tap_map_stack_id_valid_from", "stack_id", "valid_from"),
    )
    id: Mapped[key]
    stack_id: Mapped[int] = reference("stack")
    valid_from: Mapped[utc]
    channels: Mapped[text] = mapped_column(
        comment="JSON: pairs of channel and cell; cell null: reads nothing"
    )
    reason: Mapped[text]
    by_id: Mapped[int] = reference("person")
    known_from: Mapped[utc]
    known_until: Mapped[utc | None]
