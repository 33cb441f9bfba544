"""Several tests of tightness of one build together: the six paths, and what they point to.

Sources: as in leak_paths and leak_hints.
"""

from collections.abc import Sequence
from dataclasses import dataclass

from service.limits.arithmetic.leak_paths import Path, path_rates
from service.platform.arithmetic.verdicts import Verdict, worst
from service.proof.arithmetic.leak_hints import hints
from service.proof.arithmetic.leak_results import LeakResult, PathFound, Rate, rate_of


@dataclass(frozen=True, slots=True)
class PathVerdict:
    """One path after all tests. Rate and verdict are None where it was not tested or not judged.

    ``set_ups`` are the orders of the set-ups that say it.
    """

    path: Path
    rate: Rate | None
    is_bound: bool
    verdict: Verdict | None
    set_ups: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class Together:
    """All six paths in their order, and hints in sentences."""

    paths: tuple[PathVerdict, ...]
    hints: tuple[str, ...]

    @property
    def untested(self) -> tuple[Path, ...]:
        """Paths of which no test says anything."""
        return tuple(it.path for it in self.paths if it.rate is None)


def together(results: Sequence[LeakResult]) -> Together:
    """What do the tests of a build say together? In the order they were made.

    A later test of one set-up takes the place of an earlier one. Each verdict is that of the test
    it comes from, under the limits of its time; of two directions the worse counts, and a bound
    only where nothing was measured.
    """
    latest = {it.set_up: it for it in results}
    of_circuits = [it.circuit_test for it in latest.values()]
    tests = [test for test in of_circuits if test is not None]
    rates = path_rates(tests)
    found = []
    for path in Path:
        by_set_up = [
            (it.set_up, one) for it in latest.values() for one in it.paths if one.path is path
        ]
        direct = [pair for pair in by_set_up if not pair[1].is_bound]
        counted = direct or _best_bound(by_set_up)
        rate = rates[path]
        found.append(
            PathVerdict(
                path,
                rate_of(rate.leak) if rate else (counted[0][1].rate if counted else None),
                bool(counted) and not direct,
                _worst([one.verdict for _order, one in counted]),
                tuple(order for order, _one in counted),
            )
        )
    return Together(tuple(found), hints(tests))


def _best_bound(bounds: Sequence[tuple[int, PathFound]]) -> list[tuple[int, PathFound]]:
    if not bounds:
        return []
    return [min(bounds, key=lambda pair: (pair[1].verdict is not Verdict.PASS, pair[0]))]


def _worst(verdicts: Sequence[Verdict | None]) -> Verdict | None:
    known = [verdict for verdict in verdicts if verdict is not None]
    return worst(known) if known and len(known) == len(verdicts) else None
