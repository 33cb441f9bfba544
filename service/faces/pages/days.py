"""Days without a time of day: kept as noon in the laboratory's zone, so that every zone within
half a day reads the same day."""

from datetime import UTC, date, datetime, time
from zoneinfo import ZoneInfo

NOON = time(12)


def noon(day: date | None, zone: ZoneInfo) -> datetime | None:
    """The moment a day is kept as."""
    return None if day is None else datetime.combine(day, NOON, zone).astimezone(UTC)


def day_of(at: datetime | None, zone: ZoneInfo) -> str:
    """The day a form's field begins with."""
    return "" if at is None else at.astimezone(zone).date().isoformat()
