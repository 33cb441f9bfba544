"""Counts of parts for N cells: facts of the trade.

Provenance: common practice, no published source. N cells hold N MEAs, 2 N half plates, 2 N cell
gaskets, and N + 1 coolant layers where both ends are cooled, N − 1 where neither is; k cells
more make k MEAs, 2 k half plates, 2 k cell gaskets and k coolant layers more.
"""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.designs.arithmetic.grammar import Pattern
from tests.designs.arithmetic.patterns import COOLED_ENDS, END_PLATES, expand


@pytest.mark.parametrize(("pattern", "coolant"), [(COOLED_ENDS, 1), (END_PLATES, -1)])
@given(cells=st.integers(2, 40))
def test_parts_of_n_cells(pattern: Pattern, coolant: int, cells: int) -> None:
    counts = expand(pattern, cells).counts

    assert counts.cells == cells
    assert counts.half_plates == 2 * cells
    assert counts.gas_gaskets == 2 * cells
    assert counts.coolant_layers == cells + coolant


@pytest.mark.parametrize("pattern", [COOLED_ENDS, END_PLATES])
@given(cells=st.integers(2, 20), more=st.integers(1, 20))
def test_parts_of_k_cells_more(pattern: Pattern, cells: int, more: int) -> None:
    before, after = expand(pattern, cells).counts, expand(pattern, cells + more).counts

    assert after.cells - before.cells == more
    assert after.half_plates - before.half_plates == 2 * more
    assert after.gas_gaskets - before.gas_gaskets == 2 * more
    assert after.coolant_layers - before.coolant_layers == more
