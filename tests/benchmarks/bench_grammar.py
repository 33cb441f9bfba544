"""How long does a pile take to check? 700 layers with five mistakes, and 700 to 10,000 layers.

Best of several runs: other work on the machine must not decide.
"""

from dataclasses import replace
from itertools import pairwise
from time import perf_counter

from service.designs.arithmetic.grammar_check import check
from service.designs.arithmetic.grammar_next import next_layers
from service.designs.arithmetic.pile import Layer
from service.platform.arithmetic.vocabulary import End, Facing
from tests.designs.arithmetic.patterns import COOLED_ENDS
from tests.stacks.arithmetic.piles import a_pile, in_order


def with_five_mistakes(cells: int) -> tuple[Layer, ...]:
    """Five mistakes spread over the pile, each of another kind."""
    layers = list(a_pile(cells))
    fifth = cells // 6 * 6
    layers[4 + fifth * 4] = replace(layers[4 + fifth * 4], part_type="another")
    del layers[4 + fifth * 3]
    turned = 3 + fifth * 2
    layers[turned] = replace(layers[turned], facing=Facing.FIXED_END)
    layers.insert(7 + fifth, layers[6 + fifth])
    layers[4], layers[5] = layers[5], layers[4]
    return in_order(layers)


def best_ms(pile: tuple[Layer, ...], runs: int) -> float:
    times = []
    for _ in range(runs):
        start = perf_counter()
        check(COOLED_ENDS, pile)
        times.append(perf_counter() - start)
    return min(times) * 1000


def test_700_layers_with_five_mistakes() -> None:
    pile = with_five_mistakes(116)

    checked, time_ms = check(COOLED_ENDS, pile), best_ms(pile, 20)

    print(f"\n{len(pile)} layers, {checked.cost} mistakes: {time_ms:.1f} ms")
    assert (checked.cost, len(checked.findings), checked.cells) == (5, 5, 116)
    assert time_ms <= 20


def test_time_grows_linearly_to_10_000_layers() -> None:
    table = {}
    for cells in (116, 416, 833, 1666):
        pile = with_five_mistakes(cells)
        table[len(pile)] = best_ms(pile, 7)
    told = [
        f"{layers:6d} layers {time_ms:6.1f} ms {1000 * time_ms / layers:6.2f} µs a layer"
        for layers, time_ms in table.items()
    ]
    print("", *told, sep="\n")

    (fewest, short), *_, (most, long) = table.items()
    assert most >= 9990
    assert long / short < 1.5 * most / fewest
    assert all(earlier < later for earlier, later in pairwise(table.values()))


def test_what_comes_next_on_700_layers() -> None:
    pile = a_pile(116)[:650]
    start = perf_counter()
    for _ in range(20):
        next_layers(COOLED_ENDS, pile, End.FREE, cells=116)
    time_ms = (perf_counter() - start) / 20 * 1000

    print(f"\nwhat comes next on {len(pile)} layers: {time_ms:.1f} ms")
    assert time_ms <= 20
