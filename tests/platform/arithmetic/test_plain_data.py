"""Dataclasses as plain data and back."""

import json
from dataclasses import dataclass
from enum import StrEnum

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.platform.arithmetic.errors import Inconsistent, OutOfRange
from service.platform.arithmetic.estimates import Estimate
from service.platform.arithmetic.plain_data import as_data, check_form, from_data, spoken, with_form


class Colour(StrEnum):
    GREEN = "green"
    GREY = "grey"


@dataclass(frozen=True)
class Pipe:
    colour: Colour
    length_mm: float
    turns: tuple[int, ...] = ()
    middle: tuple[float, str] | None = None
    found: Estimate | None = None


NUMBERS = st.floats(allow_nan=False, allow_infinity=False)
PIPES = st.builds(
    Pipe,
    st.sampled_from(Colour),
    NUMBERS,
    st.lists(st.integers(-99, 99)).map(tuple),
    st.none() | st.tuples(NUMBERS, st.text()),
    st.none() | st.builds(Estimate, NUMBERS, NUMBERS),
)


@given(PIPES)
def test_what_went_through_json_is_what_it_was(pipe: Pipe) -> None:
    assert from_data(Pipe, json.loads(json.dumps(as_data(pipe)))) == pipe


def test_parts_of_an_estimate_are_kept_where_there_are_any() -> None:
    pipe = Pipe(Colour.GREY, 1.0, found=Estimate(5.0, 0.5, (("gauge", 0.4), ("ruler", 0.3))))

    assert from_data(Pipe, as_data(pipe)) == pipe


@pytest.mark.parametrize(
    ("data", "said"),
    [
        ({"colour": "green"}, "length (mm) is missing in Pipe"),
        ({"colour": "red", "length_mm": 1}, "colour is red; allowed: green, grey"),
        ({"colour": "green", "length_mm": "2"}, "length (mm) is 2; allowed: a number"),
        ({"colour": "green", "length_mm": True}, "length (mm) is True"),
        ({"colour": "green", "length_mm": float("nan")}, "length (mm) is nan"),
        ({"colour": "green", "length_mm": 1, "turns": [1.5]}, "a whole number"),
        ({"colour": "green", "length_mm": 1, "turns": 3}, "turns is no list"),
        ({"colour": "green", "length_mm": 1, "width": 3}, "no field “width”"),
        ({"colour": "green", "length_mm": 1, "middle": [1.0]}, "has 1 entries; 2 are wanted"),
        ([], "no table"),
    ],
)
def test_a_wrong_field_is_named(data: object, said: str) -> None:
    with pytest.raises((Inconsistent, OutOfRange)) as trouble:
        from_data(Pipe, data)

    assert said in str(trouble.value)


def test_another_form_is_refused() -> None:
    data = with_form("pipe 1", Pipe(Colour.GREEN, 1.0))

    assert check_form("pipe 1", data) == as_data(Pipe(Colour.GREEN, 1.0))
    with pytest.raises(Inconsistent, match="pipe 2"):
        check_form("pipe 2", data)
    with pytest.raises(Inconsistent, match="none"):
        check_form("pipe 2", [])


def test_a_name_without_unit_is_read_as_words() -> None:
    assert spoken("nut_factor") == "nut factor"
    assert spoken("c") == "c"


@pytest.mark.parametrize("value", [float("inf"), float("nan"), [], {}, "3", True])
def test_what_is_no_whole_number_or_word_is_refused_whatever_it_is(value: object) -> None:
    with pytest.raises(OutOfRange, match="turns"):
        from_data(Pipe, {"colour": "grey", "length_mm": 2.0, "turns": [value]})
    with pytest.raises(OutOfRange, match="colour"):
        from_data(Pipe, {"colour": value, "length_mm": 2.0})
