"""The star pattern's order.

Provenance: ASME PCC-1, legacy cross pattern (2010/2013, Table 4), bolts numbered clockwise; from
memory, the standard was not opened. Rows for 12, 16, 20 and 24 bolts from memory too.
"""

import pytest

from service.physics.arithmetic.tightening import crosswise


@pytest.mark.parametrize(
    "order",
    [
        "1 3 2 4",
        "1 5 3 7 2 6 4 8",
        "1 7 4 10 2 8 5 11 3 9 6 12",
        "1 9 5 13 3 11 7 15 2 10 6 14 4 12 8 16",
        "1 11 6 16 3 13 8 18 5 15 10 20 2 12 7 17 4 14 9 19",
        "1 13 7 19 4 16 10 22 2 14 8 20 5 17 11 23 3 15 9 21 6 18 12 24",
    ],
)
def test_star_pattern(order: str) -> None:
    places = tuple(map(int, order.split()))

    assert crosswise(len(places)) == places
