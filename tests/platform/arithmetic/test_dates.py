"""Dates and times as laboratories write them."""

from datetime import UTC, date, datetime, timedelta, timezone
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.platform.arithmetic.dates import (
    Known,
    Span,
    as_kept,
    hours_between,
    in_utc,
    in_words,
    parse_date,
    parse_partial,
    parse_when,
    span_of,
    to_keep,
    written,
)
from service.platform.arithmetic.errors import OutOfRange

LAB = ZoneInfo("Europe/Vienna")
NOON = datetime(2026, 3, 7, 14, 20, tzinfo=LAB)


@pytest.mark.parametrize(
    ("text", "day_first"),
    [
        ("2026-03-07", False),
        (" 20260307 ", False),
        ("07.03.2026", False),
        ("7.3.2026", False),
        ("07/03/2026", True),
        ("7/3/2026", True),
        ("7-3-2026", True),
        ("2026-03-07", True),
    ],
)
def test_one_day_in_its_ways_of_writing(text: str, day_first: bool) -> None:
    assert parse_date(text, day_first=day_first) == date(2026, 3, 7)


@pytest.mark.parametrize(
    "text",
    [
        "2026-03-07 14:20",
        "2026-03-07T14:20",
        "2026-03-07T14:20:00",
        "2026-03-07T14:20:00,000",
        "20260307T1420",
        "2026-03-07T13:20:00Z",
        "20260307T132000Z",
        "2026-03-07T15:20+02:00",
        "2026-03-07 08:20 -0500",
        "2026-03-07T08:20\u221205",
        "07.03.2026 14:20",
        "07.03.2026, 14:20:00",
    ],
)
def test_one_moment_in_its_ways_of_writing(text: str) -> None:
    assert parse_when(text, LAB) == NOON
    assert parse_when(text, LAB).tzinfo is not None


def test_a_zone_named_in_the_text_wins_over_the_labs() -> None:
    assert parse_when("2026-03-07T14:20Z", LAB) == NOON + timedelta(hours=1)


def test_hours_of_one_digit_are_read_where_a_colon_follows() -> None:
    assert parse_when("7/3/2026 9:05", LAB, day_first=True).hour == 9


def test_decimals_of_a_second_take_point_or_comma() -> None:
    for text in ("2026-03-07T14:20:00.25", "20260307T142000,25"):
        assert parse_when(text, LAB).microsecond == 250_000


def test_a_date_alone_is_the_beginning_of_that_day() -> None:
    assert parse_when("2026-03-07", LAB) == datetime(2026, 3, 7, tzinfo=LAB)


def test_twenty_four_hours_is_the_beginning_of_the_next_day() -> None:
    assert parse_when("2026-12-31T24:00", LAB) == datetime(2027, 1, 1, tzinfo=LAB)


def test_the_hour_that_comes_twice_is_the_first_one() -> None:
    assert parse_when("2026-10-25 02:30", LAB).utcoffset() == timedelta(hours=2)


def test_an_hour_that_clocks_leapt_over_is_refused() -> None:
    with pytest.raises(OutOfRange, match=r"2026-03-29 02:30.*clocks leapt over"):
        parse_when("2026-03-29 02:30", LAB)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("", "empty; allowed: a date and time such as 2026-03-07 14:20"),
        ("7/3/2026", "which comes first, day or month"),
        ("30.02.2026", "a day of the calendar .read as day 30, month 2"),
        ("0206-03-07", "a year from 1900 to 2199"),
        ("2026-13-01", "a day of the calendar"),
        ("07.03.26", "a date such as 2026-03-07"),
        ("2026-3-7", "a date such as"),
        ("March 7", "a date such as"),
        ("2026-03-07 25:00", "from 00:00:00 to 24:00"),
        ("2026-03-07 24:01", "from 00:00:00 to 24:00"),
        ("2026-03-07 14:60", "from 00:00:00 to 24:00"),
        ("2026-03-07 14.20", "a date and time such as"),
        ("2026-03-07 2 pm", "a date and time such as"),
        ("2026-03-07T14:20+25:00", "an offset such as"),
        ("46088", "a date such as"),
    ],
)
def test_what_cannot_be_read_is_named_with_what_would_be_right(text: str, says: str) -> None:
    with pytest.raises(OutOfRange, match=says) as refusal:
        parse_when(text, LAB)
    assert (text.split(" ", 1)[0] or "empty") in str(refusal.value)


OFFSETS = st.integers(-14 * 4, 14 * 4).map(lambda q: timezone(timedelta(minutes=15 * q)))


@given(
    st.datetimes(
        datetime.fromisoformat("1900-01-01"),
        datetime.fromisoformat("2199-12-31"),
        timezones=OFFSETS,
    )
)
def test_what_is_written_as_iso_8601_is_read_back(aware: datetime) -> None:
    assert parse_when(aware.isoformat(), UTC) == aware


@given(st.dates(date(1900, 1, 1), date(2199, 12, 31)))
def test_a_day_is_read_back_from_either_order(day: date) -> None:
    assert parse_date(day.isoformat()) == day
    assert parse_date(f"{day:%d.%m.%Y}") == day
    assert parse_date(f"{day:%d/%m/%Y}", day_first=True) == day


@given(st.text(alphabet="0123456789-:./TZ+, ", max_size=24), st.booleans())
def test_any_text_is_read_or_refused_in_words(text: str, day_first: bool) -> None:
    try:
        moment = parse_when(text, LAB, day_first=day_first)
    except OutOfRange as refusal:
        said = str(refusal)
    else:
        said = f"allowed: {moment.tzinfo}"
    assert "allowed: " in said
    assert "None" not in said


def test_a_time_for_machines_names_its_zone() -> None:
    assert parse_when("2026-03-07T15:20+01:00", None) == datetime(2026, 3, 7, 14, 20, tzinfo=UTC)
    with pytest.raises(OutOfRange, match="with its zone"):
        parse_when("2026-03-07 14:20", None)


def test_where_a_time_is_asked_a_date_alone_is_none() -> None:
    with pytest.raises(OutOfRange, match="2026-03-07 14:20"):
        parse_when("2026-03-07", UTC, needs_time=True)


@given(st.dates(date(1900, 1, 1), date(2199, 12, 31)), st.sampled_from(Known))
def test_a_partial_date_is_kept_as_one_moment_and_read_back(day: date, known: Known) -> None:
    """The moment lies in the span, keeps what is known in any zone, and no clock gives it."""
    text = day.isoformat()[: {Known.YEAR: 4, Known.MONTH: 7, Known.DAY: 10}[known]]
    at = parse_partial(text)

    assert at is not None
    kept = as_kept(to_keep(at.astimezone(LAB)))
    span = span_of(kept)
    assert (written(kept), span.known) == (text, known)
    assert span.begins <= kept < span.until
    assert to_keep(at).microsecond == at.microsecond
    assert span_of(as_kept(to_keep(datetime(2026, 3, 7, microsecond=999_999, tzinfo=UTC)))) == Span(
        moment := datetime(2026, 3, 7, microsecond=999_996, tzinfo=UTC), moment
    )


def test_a_partial_date_is_told_as_it_is_known() -> None:
    told = [
        in_words(parse_partial(text) or NOON, LAB) for text in ("1998", "1998-05", "1998-05-12")
    ]
    assert told == ["1998", "May 1998", "1998-05-12"]
    assert in_words(NOON, LAB) == "2026-03-07 14:20"
    may = parse_partial("1998-05")
    assert may is not None
    assert f"{may:%Y-%m-%d}, {may.astimezone(LAB):%H:%M}" == "May 1998, May 1998"
    assert [in_utc(at) for at in (may, NOON)] == ["May 1998", "2026-03-07 13:20 UTC"]
    assert parse_partial("2026-03-07 14:20") is None
    with pytest.raises(OutOfRange):
        parse_partial("1998-13")


def test_events_of_overlapping_spans_keep_the_order_given() -> None:
    year, month = (span_of(parse_partial(text) or NOON) for text in ("1998", "1998-05"))
    first = year.moment()
    then = month.moment(after=first)
    last = year.moment(after=then)
    between = year.moment(after=then, before=last)

    assert year.overlaps(month)
    assert first < then < between < last
    assert hours_between(first, NOON) is None
    with pytest.raises(OutOfRange):
        month.moment(before=first)
