"""Stops between readings."""

from datetime import UTC, datetime, timedelta

import pytest

from service.platform.arithmetic.errors import Inconsistent
from service.stacks.arithmetic.running_hours import running_spells

FROM = datetime(2026, 3, 1, tzinfo=UTC)


def after(*hours: float) -> list[datetime]:
    return [FROM + timedelta(hours=it) for it in hours]


def test_running_through_is_one_spell() -> None:
    assert running_spells(after(0, 5, 10), [0, 5, 10], [1, 1, 1]) == (1, 1, 1)


def test_standing_shows_as_clock_without_hours() -> None:
    assert running_spells(after(0, 5, 17), [0, 5, 5.2], [1, 1, 1]) == (1, 1, 2)


def test_a_short_pause_is_no_stop() -> None:
    assert running_spells(after(0, 5.4), [0, 5], [1, 1]) == (1, 1)


def test_reading_without_load_between_is_a_stop() -> None:
    assert running_spells(after(0, 5, 10), [0, 5, 10], [1, 1, 1], after(7)) == (1, 1, 2)


def test_an_opening_is_a_stop() -> None:
    assert running_spells(after(0, 1), [0, 1], [1, 2]) == (1, 2)


def test_nothing_read_has_no_spell() -> None:
    assert running_spells([], [], []) == ()


def test_disorder_is_refused() -> None:
    with pytest.raises(Inconsistent, match="order of time"):
        running_spells(after(5, 0), [0, 1], [1, 1])
    with pytest.raises(Inconsistent, match="as many"):
        running_spells(after(5, 0), [0], [1, 1])
