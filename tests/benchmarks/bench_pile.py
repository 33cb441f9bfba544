"""Folding and drawing a pile of 701 layers: pytest tests/benchmarks/bench_pile.py -q -s."""

from time import perf_counter

from service.designs.arithmetic.pile import OpenPile
from service.platform.arithmetic.vocabulary import End
from service.stacks.drawings.clamp import Rods
from service.stacks.drawings.pile import draw_pile
from tests.stacks.arithmetic.piles import a_pile

PILE = a_pile(116)


def _fold() -> float:
    start = perf_counter()
    opened = OpenPile.begun(PILE)
    lifted = []
    for _ in range(350):
        layer, opened = opened.lift_off(End.FREE)
        lifted.append(layer)
    while lifted:
        opened = opened.put_on(End.FREE, lifted.pop())
    assert len(opened.layers) == len(PILE)
    return perf_counter() - start


def _draw() -> float:
    start = perf_counter()
    draw_pile(
        PILE, title="Layer map", rods=Rods(count=8), broken=False, link=lambda x: f"/{x.part}"
    )
    return perf_counter() - start


def test_seven_hundred_steps_fold_in_three_milliseconds() -> None:
    best = min(_fold() for _ in range(7))
    print(f"\nfold of 700 steps: {best * 1000:.2f} ms")
    assert best < 0.003


def test_seven_hundred_layers_are_drawn_in_ten_milliseconds() -> None:
    best = min(_draw() for _ in range(15))
    print(f"\ndrawing of {len(PILE)} layers: {best * 1000:.2f} ms")
    assert best < 0.010
