"""When the work of a record began, as known now."""

from datetime import datetime
from typing import Any

from sqlalchemy import ColumnElement, func, select

from service.bench.tables import Correction, CorrectionOf, CorrectionState
from service.records.tables import RebuildRecord


def began_at(record: Any = RebuildRecord) -> ColumnElement[datetime]:
    """Return when the work began: as the last approved correction says, else as handed in."""
    corrected = (
        select(Correction.new_time)
        .where(
            Correction.record_id == record.id,
            Correction.of == CorrectionOf.HEAD,
            Correction.field == "performed_from",
            Correction.state == CorrectionState.APPROVED,
        )
        .order_by(Correction.id.desc())
        .limit(1)
        .correlate(record)
        .scalar_subquery()
    )
    return func.coalesce(corrected, record.performed_from)
