"""Two-dimensional codes of short texts: QR code version 1 with error correction M.

Source: ISO/IEC 18004, 7.4 (alphanumeric mode), 7.5 (Reed-Solomon), 7.7 to 7.9 (placing, masks,
format); from memory, with the standard's own example in the tests. Up to 20 signs fit.
"""

from collections.abc import Callable, Iterator

from service.platform.arithmetic.errors import OutOfRange

SIGNS = "0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ $%*+-./:"
SIZE = 21
MOST_SIGNS = 20
DATA_WORDS, CHECK_WORDS = 16, 10
ALPHANUMERIC, LENGTH_BITS = 0b0010, 9
PADS = (0xEC, 0x11)
FIELD = 0x11D
"""x^8 + x^4 + x^3 + x^2 + 1: the polynomial of the field of 256 elements."""
FORMAT_GENERATOR, FORMAT_MASK, LEVEL_M = 0x537, 0x5412, 0b00

Modules = tuple[tuple[bool, ...], ...]
"""Rows from the top, True is dark."""

MASKS: tuple[Callable[[int, int], bool], ...] = (
    lambda row, column: (row + column) % 2 == 0,
    lambda row, _column: row % 2 == 0,
    lambda _row, column: column % 3 == 0,
    lambda row, column: (row + column) % 3 == 0,
    lambda row, column: (row // 2 + column // 3) % 2 == 0,
    lambda row, column: row * column % 2 + row * column % 3 == 0,
    lambda row, column: (row * column % 2 + row * column % 3) % 2 == 0,
    lambda row, column: ((row + column) % 2 + row * column % 3) % 2 == 0,
)


def matrix_code(text: str) -> Modules:
    """Return the dark and light modules of a text of at most 20 capital letters and digits.

    Raises OutOfRange for a longer text or a sign outside the alphanumeric mode.
    """
    data = data_words(text)
    words = (*data, *check_words(data, CHECK_WORDS))
    bits = [bool(word >> shift & 1) for word in words for shift in range(7, -1, -1)]
    candidates = [_masked(bits, mask) for mask in range(len(MASKS))]
    return min(candidates, key=_penalty)


def data_words(text: str) -> tuple[int, ...]:
    """Return the 16 data words of a text: mode, length, pairs of signs, padding."""
    if len(text) > MOST_SIGNS or set(text) - set(SIGNS):
        raise OutOfRange("text", text, "", f"at most {MOST_SIGNS} capital letters, digits, hyphens")
    values = [SIGNS.index(sign) for sign in text]
    bits = f"{ALPHANUMERIC:04b}{len(text):0{LENGTH_BITS}b}"
    for at in range(0, len(values) - 1, 2):
        bits += f"{values[at] * len(SIGNS) + values[at + 1]:011b}"
    if len(values) % 2:
        bits += f"{values[-1]:06b}"
    bits += "0" * min(4, DATA_WORDS * 8 - len(bits))
    bits += "0" * (-len(bits) % 8)
    words = [int(bits[at : at + 8], 2) for at in range(0, len(bits), 8)]
    padding = (PADS[number % 2] for number in range(DATA_WORDS - len(words)))
    return (*words, *padding)


def check_words(data: tuple[int, ...], count: int) -> tuple[int, ...]:
    """Return the Reed-Solomon check words: the remainder by the generator of that degree."""
    generator = [1]
    root = 1
    for _ in range(count):
        shifted = [*generator, 0]
        scaled = [0, *(_times(factor, root) for factor in generator)]
        generator = [a ^ b for a, b in zip(shifted, scaled, strict=True)]
        root = _times(root, 2)
    remainder = [*data, *[0] * count]
    for at in range(len(data)):
        factor = remainder[at]
        for offset, term in enumerate(generator):
            remainder[at + offset] ^= _times(term, factor)
    return tuple(remainder[len(data) :])


def _times(a: int, b: int) -> int:
    """Multiply in the field of 256 elements."""
    product = 0
    while b:
        if b & 1:
            product ^= a
        a <<= 1
        if a & 0x100:
            a ^= FIELD
        b >>= 1
    return product


def _masked(bits: list[bool], mask: int) -> Modules:
    fixed = _fixed(mask)
    dark = dict(fixed)
    places = (place for place in _places() if place not in fixed)
    for bit, (row, column) in zip(bits, places, strict=True):
        dark[row, column] = bit != MASKS[mask](row, column)
    return tuple(tuple(dark[row, column] for column in range(SIZE)) for row in range(SIZE))


def _places() -> Iterator[tuple[int, int]]:
    """Walk in pairs of columns from the right, up and down by turns; the timing column is left."""
    upward = True
    for right in (*range(SIZE - 1, 6, -2), 5, 3, 1):
        for row in range(SIZE - 1, -1, -1) if upward else range(SIZE):
            yield row, right
            yield row, right - 1
        upward = not upward


def _fixed(mask: int) -> dict[tuple[int, int], bool]:
    """Return finders with their light edge, timing, the dark module and the format."""
    last = SIZE - 1
    dark: dict[tuple[int, int], bool] = {}
    for top, left in ((0, 0), (0, SIZE - 7), (SIZE - 7, 0)):
        for row in range(-1, 8):
            for column in range(-1, 8):
                if 0 <= top + row < SIZE and 0 <= left + column < SIZE:
                    ring = max(abs(row - 3), abs(column - 3))
                    dark[top + row, left + column] = ring not in {2, 4}
    for at in range(8, SIZE - 8):
        dark[6, at] = dark[at, 6] = at % 2 == 0
    dark[SIZE - 8, 8] = True
    format_bits = _format(mask)
    beside = [*range(6), 7, 8]
    around = [(8, column) for column in beside] + [(row, 8) for row in reversed(beside[:-1])]
    apart = [(last - number, 8) for number in range(7)]
    apart += [(8, SIZE - 8 + number) for number in range(8)]
    for places in (around, apart):
        for number, place in enumerate(places):
            dark[place] = bool(format_bits >> (14 - number) & 1)
    return dark


def _format(mask: int) -> int:
    data = LEVEL_M << 3 | mask
    remainder = data << 10
    for shift in range(4, -1, -1):
        if remainder >> (shift + 10) & 1:
            remainder ^= FORMAT_GENERATOR << shift
    return (data << 10 | remainder) ^ FORMAT_MASK


def _penalty(modules: Modules) -> int:
    """Count what is hard to read: runs, blocks, patterns like a finder, more dark than light."""
    total = 0
    for lines in (modules, tuple(zip(*modules, strict=True))):
        for each in lines:
            text = "".join("1" if dark else "0" for dark in each)
            runs = text.replace("01", "0 1").replace("10", "1 0").split()
            total += sum(len(run) - 2 for run in runs if len(run) >= 5)
            for pattern in ("10111010000", "00001011101"):
                found = sum(text.startswith(pattern, at) for at in range(SIZE - 10))
                total += 40 * found
    for row in range(SIZE - 1):
        for column in range(SIZE - 1):
            block = {modules[row + r][column + c] for r in (0, 1) for c in (0, 1)}
            total += 3 * (len(block) == 1)
    dark_share = 100 * sum(map(sum, modules)) / SIZE**2
    return total + 10 * int(abs(dark_share - 50) / 5)
