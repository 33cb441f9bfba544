"""The canonical JSON records are hashed in, against the published vectors of RFC 8785."""

import json
import struct
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as some

from service.platform.arithmetic.canonical import canonical_json, sha256_of

DATA = json.loads((Path(__file__).parent / "data" / "rfc8785.json").read_text("utf-8"))
NUMBERS = list(zip(DATA["numbers"]["ieee754_hex"], DATA["numbers"]["text"], strict=True))


@pytest.mark.parametrize("vector", DATA["vectors"], ids=lambda vector: vector["name"])
def test_companion_vectors_come_out_byte_for_byte(vector: dict[str, str]) -> None:
    """RFC 8785 companion test data: input text, output in UTF-8, its SHA-256."""
    written = canonical_json(json.loads(vector["input"]))

    assert written.encode().hex() == vector["output_utf8_hex"]
    assert sha256_of(written) == vector["sha256"]


@pytest.mark.parametrize(("bits", "text"), NUMBERS)
def test_numbers_are_written_as_appendix_b_says(bits: str, text: str) -> None:
    """RFC 8785, Appendix B: number to text as ECMAScript does it."""
    assert canonical_json(struct.unpack(">d", bytes.fromhex(bits))[0]) == text


@pytest.mark.parametrize("value", [float("nan"), float("inf"), float("-inf"), 2**53])
def test_what_json_cannot_carry_is_refused(value: float) -> None:
    """RFC 8785, 3.2.2.3: NaN and infinities must not appear; integers keep to 53 bits."""
    with pytest.raises(ValueError, match=r"not representable|exceeds safe"):
        canonical_json(value)


VALUES = some.recursive(
    some.none()
    | some.booleans()
    | some.integers(-(2**53) + 1, 2**53 - 1)
    | some.floats(allow_nan=False, allow_infinity=False)
    | some.text(some.characters(exclude_categories=["Cs"])),
    lambda inner: some.lists(inner) | some.dictionaries(some.text(alphabet="abcÅ€"), inner),
    max_leaves=20,
)


@given(VALUES)
def test_reading_what_was_written_and_writing_it_again_changes_nothing(value: Any) -> None:
    """JSON numbers are doubles (RFC 8785, 3.2.2.3), so they are read as such."""
    written = canonical_json(value)

    assert canonical_json(json.loads(written, parse_int=float)) == written


def test_order_of_keys_does_not_matter() -> None:
    assert canonical_json({"b": 1, "a": [2.0, "é"]}) == canonical_json({"a": [2, "é"], "b": 1.0})
