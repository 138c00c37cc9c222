"""Random numbers one at a time, out of blocks drawn ahead.

A numpy generator takes a microsecond for each call, most of it on the way there and back; a scene asks for a hundred numbers a
chip. ``Chance`` draws blocks and hands plain Python numbers out. The n-th number still hangs on the generator's seed alone.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TypeVar

import numpy as np

Option = TypeVar("Option")
_BLOCK = 256


class Chance:
    """Plain random numbers from a numpy generator, which others may go on using: blocks are taken from it as they are needed."""

    def __init__(self, rng: np.random.Generator) -> None:
        self._rng = rng
        self._even: list[float] = []
        self._bell: list[float] = []

    @classmethod
    def of(cls, source: np.random.Generator | Chance) -> Chance:
        """The source itself where it is one already."""
        return source if isinstance(source, cls) else cls(source)  # type: ignore[arg-type]

    def random(self) -> float:
        """Even between 0 and 1 (1 left out)."""
        if not self._even:
            self._even = self._rng.random(_BLOCK).tolist()
        return self._even.pop()

    def uniform(self, low: float, high: float) -> float:
        """Even between two bounds."""
        return low + (high - low) * self.random()

    def normal(self, middle: float = 0.0, deviation: float = 1.0) -> float:
        """Normally distributed."""
        if not self._bell:
            self._bell = self._rng.standard_normal(_BLOCK).tolist()
        return middle + deviation * self._bell.pop()

    def integers(self, low: int, high: int | None = None) -> int:
        """A whole number below ``low``, or from ``low`` up to and without ``high``; of up to 2**53 (far below it, evenly)."""
        first, count = (0, low) if high is None else (low, high - low)
        return first + int(count * self.random())

    def choice(self, options: Sequence[Option]) -> Option:
        """One of them."""
        return options[int(len(options) * self.random())]
