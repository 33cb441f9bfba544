"""A closing computed at the bench: pytest tests/benchmarks/bench_live_closing.py -q -s.

Measured is what the torque place does more than it did: the rows gathered, the closing of 100 cells
computed, its values and the map made ready. Best of several, and in processor time.
"""

from time import process_time
from typing import Any

from sqlalchemy.orm import Session

from service.closing.arithmetic.closing import closing
from service.closing.pages.sheets import closing_sheet
from service.closing.queries.closing_inputs import closing_ground
from service.records.queries.working_piles import working_pile
from tests import builders
from tests.closing.closings import give_stiffness, put_limits_in_force

CELLS, MOST_MS = 100, 30.0


def test_a_closing_of_100_cells_takes_30_ms_at_most(app: Any) -> None:
    """With every nut read."""
    with Session(app.state.engine) as session:
        give_stiffness(session)
        design = builders.a_design(session)
        builders.a_stack(session, cells=CELLS, design=design)
        put_limits_in_force(session, design.id)
        session.commit()
        pile = working_pile(session, 1)
        times = []
        for _ in range(8):
            start = process_time()
            ground = closing_ground(session, 1, pile)
            outcome = closing(ground.inputs)
            sheet = closing_sheet(outcome, ground.sizes, ground.inputs.figures.clamp)
            times.append((process_time() - start) * 1000)

    print(f"\n{CELLS} cells: {min(times):.1f} ms at best, {max(times):.1f} ms at first")
    assert sheet.map
    assert min(times) < MOST_MS
