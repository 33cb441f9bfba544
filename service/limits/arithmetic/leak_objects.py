"""What is tested for leaks by itself, outside a closed stack: its circuits, paths and set-ups.

A half plate stands in a fixture between its gas side and its back; a pair of half plates has the
coolant between them; a part of the pile has every path of a stack. Common practice, no source.
"""

from dataclasses import dataclass, replace
from enum import StrEnum
from functools import cache

from service.limits.arithmetic.leak_paths import SET_UPS, Circuit, Path, SetUp
from service.platform.arithmetic.errors import Inconsistent, OutOfRange
from service.platform.arithmetic.preconditions import more_than_zero


class LeakObject(StrEnum):
    """What a leak test outside a closed stack is made of."""

    ANODE_HALF = "anode half plate"
    CATHODE_HALF = "cathode half plate"
    PAIR = "pair of half plates"
    PART_OF_PILE = "part of the pile"


PATHS: dict[LeakObject, tuple[Path, ...]] = {
    LeakObject.ANODE_HALF: (Path.ANODE_COOLANT,),
    LeakObject.CATHODE_HALF: (Path.CATHODE_COOLANT,),
    LeakObject.PAIR: (Path.COOLANT_OUTSIDE, Path.ANODE_COOLANT, Path.CATHODE_COOLANT),
    LeakObject.PART_OF_PILE: tuple(Path),
}
"""The paths that exist in each."""
ABSENT = {LeakObject.ANODE_HALF: Circuit.CATHODE, LeakObject.CATHODE_HALF: Circuit.ANODE}
"""The circuit that does not exist in an object."""


def set_up_of(leak_object: LeakObject, set_up: SetUp) -> SetUp:
    """Return a set-up as it is made of an object: only its circuits and paths.

    Raises OutOfRange for a set-up that finds nothing of it.

    >>> set_up_of(LeakObject.PAIR, SET_UPS[3]).finds
    (<Path.ANODE_COOLANT: 'between anode and coolant'>,)
    """
    fitting = set_ups_of(leak_object)
    for fits in fitting:
        if fits.order == set_up.order:
            return fits
    allowed = " or ".join(f"{fits.order} ({fits.name})" for fits in fitting)
    raise OutOfRange(f"the set-up of the {leak_object}", set_up.order, "", allowed, "set_up")


@cache
def set_ups_of(leak_object: LeakObject) -> tuple[SetUp, ...]:
    """Return the set-ups that find something of an object, with its circuits and paths alone."""
    absent, paths = ABSENT.get(leak_object), PATHS[leak_object]
    return tuple(
        replace(
            set_up,
            watched=tuple(circuit for circuit in set_up.watched if circuit is not absent),
            finds=tuple(path for path in set_up.finds if path in paths),
        )
        for set_up in SET_UPS
        if absent not in set_up.pressurised and set(set_up.finds) & set(paths)
    )


@dataclass(frozen=True, slots=True)
class ObjectLimit:
    """What may leak along one path of an object, mbar·L/s of the test gas at 20 °C.

    Of a part of the pile for each cell.
    """

    leak_object: LeakObject
    path: Path
    most_mbar_l_s: float
    source: str

    def __post_init__(self) -> None:
        """Refuse a path the object has not, a limit without a figure or a source."""
        name = f"the limit of the leak rate {self.path}, {self.leak_object}"
        if self.path not in PATHS[self.leak_object]:
            raise OutOfRange(name, self.path, "", ", ".join(PATHS[self.leak_object]), "path")
        more_than_zero(name, self.most_mbar_l_s, "mbar·L/s", "most_mbar_l_s")
        if not self.source.strip():
            raise Inconsistent(f"Name the source of {name}.")
