"""Two-dimensional codes: the standard's own example, and a whole code as others draw it."""

import pytest

from service.platform.arithmetic.errors import OutOfRange
from service.platform.arithmetic.matrix_code import check_words, data_words, matrix_code

HELLO_WORLD = """
#######...#.#.#######
#.....#.###...#.....#
#.###.#...#.#.#.###.#
#.###.#...#.#.#.###.#
#.###.#.#.###.#.###.#
#.....#..###..#.....#
#######.#.#.#.#######
.....................
#.#.#.#..#..#...#..#.
.####...#..#....#...#
...#######.#..#.##...
####.#.##..###.#.###.
.#..####.#.#..###.#.#
........#.#...#...#.#
#######.....#..#.##..
#.....#..##...##.#...
#.###.#.##..#.#######
#.###.#...##.#.#...#.
#.###.#.####.###.#..#
#.....#....###...#.##
#######.##.#.###....#
"""
"""QR code 1-M of HELLO WORLD, mask 0, drawn by another encoder (segno 1.6) in alphanumeric mode."""


def test_check_words_are_those_of_the_standards_example() -> None:
    """ISO/IEC 18004, annex I: 01234567 as a 1-M code (from memory)."""
    data = (0x10, 0x20, 0x0C, 0x56, 0x61, 0x80, *(0xEC, 0x11) * 5)

    assert bytes(check_words(data, 10)).hex() == "a524d4c1ed36c787 2c55".replace(" ", "")


def test_data_words_are_those_worked_out_by_hand() -> None:
    """AC-42: 4 bits of mode, 9 of length, 11 a pair, 6 for the last (the standard's example)."""
    bits = "0010" + "000000101" + "00111001110" + "11100111001" + "000010" + "0000"
    padded = bits + "0" * (-len(bits) % 8)

    words = data_words("AC-42")

    assert "".join(f"{word:08b}" for word in words).startswith(padded)
    assert words[len(padded) // 8 :][:2] == (0xEC, 0x11)


def test_a_whole_code_is_as_another_encoder_draws_it() -> None:
    """Every module, the mask among them."""
    rows = ["".join("#" if dark else "." for dark in row) for row in matrix_code("HELLO WORLD")]

    assert rows == HELLO_WORLD.split()


@pytest.mark.parametrize("text", ["A" * 21, "abc", "Ä"])
def test_what_does_not_fit_is_refused(text: str) -> None:
    """Longer texts and other signs."""
    with pytest.raises(OutOfRange):
        matrix_code(text)
