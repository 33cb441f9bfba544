"""Serials that may be meant where one is misread or mistyped.

Signs taken for one another are those of worn marks: 0 and O, 1, l and I. A slip of the hand is one
sign too many, too few or another, or two in the wrong order (Damerau 1964, Comm. ACM 7, 171-176).
"""

from collections.abc import Sequence
from itertools import islice, product
from string import ascii_lowercase, digits

from service.store.arithmetic.identifiers import serial_key

ALIKE = ({"0", "o"}, {"1", "l", "i"})
"""As `serial_key` writes them, without regard to case."""
LIKE_DIGITS = digits + "oli"
SEPARATORS = "-./_ "
LOOKS = str.maketrans("oli" + SEPARATORS, "011" + "-" * len(SEPARATORS))
SIGNS = ascii_lowercase + digits + SEPARATORS
LONGEST = 40
"""Longer texts are codes, not serials that somebody misread."""
MOST_ALIKE = 1_000


def looks_alike(text: str) -> frozenset[str]:
    """Return the keys of serials that look the same but for hyphens and signs that resemble.

    >>> {"hm-0134", "hm0i34"} <= looks_alike("HM-O134")
    True
    """
    key = serial_key(text)
    if not 1 < len(key) <= LONGEST:
        return frozenset()
    bare = "".join(sign for sign in key if sign not in SEPARATORS)
    near: set[str] = set()
    for parted in {bare, key, *(key.replace(sign, "-") for sign in SEPARATORS)}:
        ways = [next((sorted(group) for group in ALIKE if sign in group), [sign])
                for sign in parted]  # fmt: skip
        for signs in islice(product(*ways), MOST_ALIKE):
            near.add("".join(signs))
            if parted is bare:
                near |= {_parted(signs, digits), _parted(signs, LIKE_DIGITS)}
    return frozenset(near - {key})


def look_of(text: str) -> str:
    """Return how a serial looks on a worn mark: the same for all that are taken for one another.

    Signs that resemble and kinds of separators count as one; their places do not.

    >>> look_of("MD-0O1O") == look_of("md 0010") == "md-0010"
    True
    """
    return serial_key(text).translate(LOOKS)


def one_slip_away(text: str) -> frozenset[str]:
    """Return the keys one slip of the hand away.

    >>> {"hm-134", "hm-0143", "hm-0135", "hm-01340"} <= one_slip_away("HM-0134")
    True
    """
    key = serial_key(text)
    if not 1 < len(key) <= LONGEST:
        return frozenset()
    split = [(key[:at], key[at:]) for at in range(len(key) + 1)]
    without = {before + after[1:] for before, after in split if after}
    turned = {before + after[1] + after[0] + after[2:] for before, after in split if len(after) > 1}
    swapped = {before + sign + after[1:] for before, after in split if after for sign in SIGNS}
    added = {before + sign + after for before, after in split for sign in SIGNS}
    return frozenset((without | turned | swapped | added) - {key, ""})


def _parted(signs: Sequence[str], numeric: str) -> str:
    """Return a key with a hyphen wherever letters meet what counts as a digit."""
    return "".join(
        "-" + sign if at and (sign in numeric) != (signs[at - 1] in numeric) else sign
        for at, sign in enumerate(signs)
    )
