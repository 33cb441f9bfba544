"""What the hour meters showed: read every second week, and told by events in between."""

from bisect import bisect_right

from service.demo.days import MON, TUE, WED, When, ago, last_working_day
from service.demo.lab import Entry, Lab
from service.stacks.changes.hours import read_hours, replace_meter

METER_REPLACED = ago(30, WED, "11:00")
STORK_BEFORE = 1466.3
"""Hours of STORK-01 when its first meter was taken off; the new one began at 0."""
NOW = last_working_day("18:00")

HOURS: dict[str, tuple[tuple[When, float], ...]] = {
    "HERON-01": (
        (ago(103, MON, "09:00"), 0.0),
        (ago(57, TUE, "08:00"), 1012.4),
        (ago(56, MON, "09:00"), 1012.4),
        (ago(12, TUE, "08:00"), 1934.8),
        (NOW, 1934.8),
    ),
    "HERON-02": (
        (ago(89, MON, "09:00"), 0.0),
        (ago(59, TUE, "08:00"), 688.2),
        (ago(58, MON, "09:00"), 688.2),
        (NOW, 1611.9),
    ),
    "HERON-03": (
        (ago(44, MON, "09:00"), 0.0),
        (last_working_day("09:00"), 1107.6),
        (NOW, 1107.6),
    ),
    "WREN-01": (
        (ago(99, MON, "09:00"), 0.0),
        (ago(70, TUE, "08:00"), 402.5),
        (ago(69, MON, "09:00"), 402.5),
        (NOW, 1180.1),
    ),
    "WREN-02": (
        (ago(95, MON, "09:00"), 0.0),
        (ago(58, TUE, "08:00"), 512.0),
        (ago(57, MON, "09:00"), 512.0),
        (NOW, 1260.7),
    ),
    "STORK-01": (
        (ago(83, MON, "09:00"), 0.0),
        (ago(34, TUE, "08:00"), 1378.6),
        (ago(33, MON, "09:00"), 1378.6),
        (METER_REPLACED, STORK_BEFORE),
        (NOW, 2204.9),
    ),
}
"""Total hours of each stack; between two moments it ran evenly."""
FIRST_READ = {
    "HERON-01": 102,
    "WREN-01": 98,
    "WREN-02": 94,
    "HERON-02": 88,
    "STORK-01": 82,
    "HERON-03": 43,
}
READ_BY = ("mira", "anton")


def shown(lab: Lab, stack: str, when: When) -> float:
    """Say what the stack's meter showed at a moment, in h."""
    meter_points = HOURS[stack]
    at = lab.days.at(when).timestamp()
    times = [lab.days.at(moment).timestamp() for moment, _hours in meter_points]
    after = bisect_right(times, at)
    if after == 0:
        total = meter_points[0][1]
    elif after == len(meter_points):
        total = meter_points[-1][1]
    else:
        (_, low), (_, high) = meter_points[after - 1 : after + 1]
        total = low + (high - low) * (at - times[after - 1]) / (times[after] - times[after - 1])
    is_second_meter = stack == "STORK-01" and when >= METER_REPLACED
    return round(total - STORK_BEFORE if is_second_meter else total, 1)


def _read(lab: Lab, when: When, weeks: int) -> None:
    with lab.work(when, READ_BY[weeks // 2 % 2]) as work:
        for stack, first in FIRST_READ.items():
            if weeks <= first:
                read_hours(
                    work,
                    lab.stacks[stack],
                    hours=shown(lab, stack, when),
                    taken_at=work.now,
                )


def _replace(lab: Lab, when: When) -> None:
    with lab.work(when, "anton") as work:
        replace_meter(
            work,
            lab.stacks["STORK-01"],
            last_hours=STORK_BEFORE,
            first_hours=0.0,
            label="second meter of test bench 4",
            replaced_at=work.now,
            reason="The display of the first meter failed now and then.",
        )


def entries() -> list[Entry]:
    """Return every reading of an hour meter, and the meter that was replaced."""
    return [
        Entry(METER_REPLACED, "hour meter of STORK-01 replaced", _replace),
        *(
            Entry(
                ago(weeks, MON, "08:20"),
                "hour meters read",
                lambda lab, when, weeks=weeks: _read(lab, when, weeks),  # type: ignore[misc]
            )
            for weeks in range(102, 1, -2)
        ),
    ]
