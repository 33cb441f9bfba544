"""Serial numbers and scanned codes."""

from contextlib import suppress
from datetime import date

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.platform.arithmetic.errors import Inconsistent, OutOfRange, TradeError
from service.store.arithmetic.identifiers import (
    FNC1,
    Scan,
    check_digit,
    gs1_date,
    read_scan,
    serial_key,
)

GTIN = "09521234543213"


def test_serials_are_compared_without_case_and_surrounding_space() -> None:
    assert serial_key(" tel-0012b\t") == serial_key("TEL-0012B")
    assert serial_key("Stra\u00dfe-1") == serial_key("STRASSE-1")
    assert serial_key("e\u0301-1") == serial_key("\u00c9-1")


def test_what_stands_inside_a_serial_counts() -> None:
    assert len({serial_key(s) for s in ("A-1", "A1", "A 1", "A  1", "A-01")}) == 5


@given(st.text())
def test_the_key_of_a_key_is_itself(text: str) -> None:
    assert serial_key(serial_key(text)) == serial_key(text)


@pytest.mark.parametrize(
    "serial",
    [
        "TEL-M-0441",
        "0109521234543213",  # looks like (01), yet nothing says so
        "2112345",
        "10",
        "17",
        "4711 (used)",
        "(A)12",
        "http://parts.tarnfield.example/4711",
    ],
)
def test_a_plain_serial_is_never_taken_for_gs1(serial: str) -> None:
    assert read_scan(serial) == Scan(serial=serial, raw=serial)


def test_space_around_a_plain_serial_is_dropped_but_kept_in_the_raw_text() -> None:
    assert read_scan("  M-12 \n") == Scan(serial="M-12", raw="  M-12 \n")


def test_the_symbology_of_a_plain_code_is_no_part_of_the_serial() -> None:
    assert read_scan("]Q1M-12").serial == "M-12"
    assert read_scan("]C0M-12").serial == "M-12"


@pytest.mark.parametrize(
    "code",
    [
        f"]d201{GTIN}10L-77{FNC1}21M-0441",
        f"]C101{GTIN}10L-77{FNC1}21M-0441",
        f"]Q301{GTIN}10L-77{FNC1}21M-0441",
        f"{FNC1}01{GTIN}10L-77{FNC1}21M-0441",
        f"01{GTIN}21M-0441{FNC1}10L-77",
        f"(01){GTIN}(10)L-77(21)M-0441",
        f"https://id.tarnfield.example/parts/01/{GTIN}/10/L-77/21/M-0441",
    ],
)
def test_each_way_of_writing_says_the_same(code: str) -> None:
    scan = read_scan(code)

    assert (scan.gtin, scan.lot, scan.serial) == (GTIN, "L-77", "M-0441")
    assert scan.raw == code


def test_dates_are_read_with_the_day_nought_as_the_last_of_the_month() -> None:
    scan = read_scan(f"]d201{GTIN}112601151728020021M-1")

    assert (scan.produced, scan.expiry) == (date(2026, 1, 15), date(2028, 2, 29))
    assert scan.serial == "M-1"


def test_an_asset_identifier_stands_for_a_missing_serial() -> None:
    assert read_scan("(8004)952123454T-9").serial == "952123454T-9"
    assert read_scan("(8004)952123454T-9(21)M-1").serial == "M-1"


def test_what_is_not_asked_for_is_kept_in_its_order() -> None:
    scan = read_scan(f"]d2240MEA-50-C{FNC1}21M-1")

    assert scan.elements == (("240", "MEA-50-C"), ("21", "M-1"))


def test_a_shop_code_is_a_gtin_and_no_serial() -> None:
    scan = read_scan("]E09521234543213")

    assert (scan.gtin, scan.serial) == (GTIN, None)


def test_brackets_inside_a_value_are_kept() -> None:
    assert read_scan("(21)M(5)1").serial == "M(5)1"


def test_an_address_with_query_and_escapes_is_read() -> None:
    scan = read_scan(f"https://x.example/01/{GTIN[1:]}/21/M%2F1?17=281231&linkType=gs1:pip")

    assert (scan.gtin, scan.serial, scan.expiry) == (GTIN, "M/1", date(2028, 12, 31))


@pytest.mark.parametrize(
    ("code", "names"),
    [
        ("]d20109521234543214", r"\(01\) GTIN is 09521234543214.*check digit"),
        ("(01)9521234543213", r"\(01\) GTIN is 9521234543213; allowed: 14 digits"),
        (f"(01){GTIN}(21)", r"\(21\) serial is empty; allowed: 1 to 20 characters"),
        ("(21)123456789012345678901", r"\(21\) serial.*1 to 20 characters"),
        ("(21)M\u00e41", r"\(21\) serial is Mä1.*not 'ä'"),
        ("(17)261301", r"\(17\) expiration date is 261301.*month of 01 to 12"),
        ("(11)260230", r"\(11\) production date is 260230.*day of 00 to 28"),
        ("(17)26012", r"\(17\) expiration date is 26012; allowed: 6 digits"),
        ("]d2180109521234543213", r"identifier is \(18…\)"),
        ("(18)12", r"identifier is \(18\)"),
        (f"]d201{GTIN}1", r"identifier is \(1\)"),
        ("(123", r"\(123.*in brackets"),
        ("]E09521234543214", r"\(01\) GTIN"),
        ("]E0ABC", r"\(01\) GTIN is ABC; allowed: digits only"),
    ],
)
def test_malformed_gs1_data_name_the_identifier_and_what_would_be_right(
    code: str, names: str
) -> None:
    with pytest.raises(OutOfRange, match=names):
        read_scan(code)


def test_a_code_that_contradicts_itself_is_refused() -> None:
    assert read_scan("(21)M-1(21)M-1").serial == "M-1"
    with pytest.raises(Inconsistent, match=r"\(21\) twice: M-1 and M-2"):
        read_scan("(21)M-1(21)M-2")


@pytest.mark.parametrize("code", ["", "  ", "\n"])
def test_an_empty_code_is_refused(code: str) -> None:
    with pytest.raises(Inconsistent, match="The code is empty"):
        read_scan(code)


@given(
    st.text(alphabet=st.sampled_from("0123456789()[]dCQE/:.htps" + FNC1 + "A-\u00e9"), max_size=40)
)
def test_any_text_is_read_or_refused_in_words(text: str) -> None:
    with suppress(TradeError):
        assert read_scan(text).raw == text


serials = st.text(
    alphabet="ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789-/._",
    min_size=1,
    max_size=20,
)


@given(serials, serials, st.integers(0, 10**13 - 1))
def test_what_is_written_into_an_element_string_is_read_back(
    serial: str, lot: str, number: int
) -> None:
    gtin = f"{number:013}{check_digit(f'{number:013}')}"

    for code in (f"]d201{gtin}21{serial}{FNC1}10{lot}", f"(01){gtin}(21){serial}(10){lot}"):
        scan = read_scan(code)
        assert (scan.gtin, scan.serial, scan.lot) == (gtin, serial, lot)


@given(st.dates(date(2000, 1, 1), date(2099, 12, 31)), st.integers(-49, 50))
def test_the_century_is_the_nearest_to_the_present_year(day: date, ahead: int) -> None:
    assert gs1_date("17", f"{day:%y%m%d}", day.year - ahead) == day
