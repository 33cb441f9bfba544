"""An opened pile: layers are lifted off and put on at its two ends, and nowhere else."""

from collections.abc import Iterator, Sequence
from typing import NamedTuple, Optional, Self

from service.designs.arithmetic.pile import Layer, number_cells
from service.platform.arithmetic.errors import Inconsistent
from service.platform.arithmetic.vocabulary import End


class Chain(NamedTuple):
    """The outermost layer put on at an end, and the chain beneath it."""

    layer: Layer
    beneath: Optional["Chain"]


class OpenPile(NamedTuple):
    """A pile as it stands during an event.

    Each step gives a new pile and leaves the old one as it was, so that undo is going back to
    the pile before. A step costs the same however high the pile is.

    The core stands as a block from ``start`` to ``end``; what was put on since hangs in a chain
    at each end. Once the core is used up, the block is made anew from the chain at the far end.
    """

    core: tuple[Layer, ...]
    start: int
    end: int
    is_first_core: bool
    at_fixed: Chain | None
    at_free: Chain | None

    @classmethod
    def begun(cls, layers: Sequence[Layer]) -> Self:
        """Return the pile as the event found it."""
        return cls(tuple(layers), 0, len(layers), True, None, None)

    def put_on(self, end: End, layer: Layer) -> Self:
        """Return the pile with one layer more at an end."""
        if end is End.FIXED:
            return self._replace(at_fixed=Chain(layer, self.at_fixed))
        return self._replace(at_free=Chain(layer, self.at_free))

    def lift_off(self, end: End) -> tuple[Layer, Self]:
        """Return the outermost layer at an end, and the pile without it.

        Raises Inconsistent where nothing is left.
        """
        if end is End.FIXED:
            if self.at_fixed:
                return self.at_fixed.layer, self._replace(at_fixed=self.at_fixed.beneath)
            if self.start < self.end:
                return self.core[self.start], self._replace(start=self.start + 1)
        else:
            if self.at_free:
                return self.at_free.layer, self._replace(at_free=self.at_free.beneath)
            if self.start < self.end:
                return self.core[self.end - 1], self._replace(end=self.end - 1)
        if not (self.at_fixed or self.at_free):
            raise Inconsistent(f"Nothing is left to lift off at the {end}: the pile is empty.")
        core = tuple(self._standing())
        return type(self)(core, 0, len(core), False, None, None).lift_off(end)

    def outermost(self, end: End) -> Layer | None:
        """Return the layer that would be lifted off next at an end; None from an empty pile."""
        try:
            return self.lift_off(end)[0]
        except Inconsistent:
            return None

    @property
    def layers(self) -> tuple[Layer, ...]:
        """All layers as they stand, positions counted anew from 1, cells numbered anew."""
        return number_cells(
            [layer.at(position, layer.cell) for position, layer in enumerate(self._standing(), 1)]
        )

    @property
    def kept(self) -> tuple[Layer, ...]:
        """The layers which have not been lifted since it was opened, as they were numbered then."""
        return self.core[self.start : self.end] if self.is_first_core else ()

    def _standing(self) -> Iterator[Layer]:
        yield from _outermost_first(self.at_fixed)
        yield from self.core[self.start : self.end]
        yield from reversed(list(_outermost_first(self.at_free)))


def _outermost_first(chain: Chain | None) -> Iterator[Layer]:
    while chain:
        yield chain.layer
        chain = chain.beneath
