"""Days without a time of day: kept as noon in the laboratory's zone, so that every zone within
half a day reads the same day."""

from datetime import UTC, date, datetime, time
from zoneinfo import ZoneInfo

NOON = time(12)


def noon(day: date | None, zone: ZoneInfo, now: datetime | None = None) -> datetime | None:
    """Return the moment a day is kept as; today before noon it is ``now``, which has come."""
    if day is None:
        return None
    noon_utc = datetime.combine(day, NOON, zone).astimezone(UTC)
    is_today = now is not None and day == now.astimezone(zone).date()
    return min(noon_utc, now) if is_today and now else noon_utc


def day_of(time: datetime | None, zone: ZoneInfo) -> str:
    """Return the day a form's field begins with."""
    return "" if time is None else time.astimezone(zone).date().isoformat()
