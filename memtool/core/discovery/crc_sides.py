"""CRCs split into a side of the start and a side of the end, as one key for all images.

For each polynomial the sides of start and end are computed once (`register_algebra`) and
shared by all its models, byte orders and placements. The sides of several images become
one key of 64 bits by a linear map, so that start value and final XOR, which all images
share, can be put in afterwards.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from memtool.core.checksums.algorithms import Algorithm
from memtool.core.checksums.crc import CrcParameters, reflect
from memtool.core.discovery.area import Area
from memtool.core.discovery.classes import NO_START, Indexes, StartClasses, repeated
from memtool.core.discovery.collecting import NumberOrder
from memtool.core.discovery.crc_drifts import CrcDrifts, Meeting
from memtool.core.discovery.linear_keys import LinearKeys
from memtool.core.discovery.register_algebra import RegisterAlgebra, Registers, algebra_of

_SMALL = 1 << 14
"""Up to so many bytes all places together take less time than few of them one by one."""
_LARGE = 1 << 15
"""In areas of more bytes the starts of one final XOR alone are kept."""
_SPARSE = 32
"""Of fewer than one position in so many a constant is moved to each by itself."""
_ALIKE = 8
"""Where fewer than one byte in so many differs, images have too much in common to be joined by
what they differ in."""


@dataclass(frozen=True, slots=True)
class CrcModel:
    """One CRC as the register sees it."""

    algorithm: str
    init: int
    xorout: int


@dataclass(frozen=True, slots=True)
class CrcGroup:
    """All models of one polynomial and reflection."""

    width: int
    poly: int
    reflected: bool
    models: tuple[CrcModel, ...]

    @property
    def length(self) -> int:
        """Bytes of the stored number."""
        return self.width // 8


def group_crcs(algorithms: Sequence[Algorithm]) -> tuple[CrcGroup, ...]:
    """The CRCs of whole bytes among `algorithms`, by polynomial and reflection.

    CRCs that reflect only one of input and output are left out: none of the catalogue's
    whole-byte ones does.
    """
    groups: dict[tuple[int, int, bool], list[CrcModel]] = {}
    for algorithm in algorithms:
        crc = algorithm.crc
        if crc is None or crc.width % 8 or not 8 <= crc.width <= 64 or crc.refin != crc.refout:
            continue
        model = CrcModel(algorithm.name, register_of(crc), crc.xorout)
        groups.setdefault((crc.width, crc.poly, crc.refin), []).append(model)
    return tuple(CrcGroup(*key, tuple(models)) for key, models in sorted(groups.items()))


def register_of(crc: CrcParameters) -> int:
    """The register at the start, as the algebra keeps it."""
    return reflect(crc.init, crc.width) if crc.refin else crc.init


class CrcSides:
    """Sides of one polynomial over one area."""

    def __init__(self, group: CrcGroup, area: Area) -> None:
        """Compute the prefix sides of all images."""
        self.group, self.area = group, area
        self.algebra: RegisterAlgebra = algebra_of(group.width, group.poly, group.reflected)
        self.keys = LinearKeys(group.width, area.count)
        self._alike = _ALIKE * len(area.differing) <= area.size
        self.prefixes = self._prefix_sides()
        self.prefix_key = self.keys.of(self.prefixes)
        self.drifts = CrcDrifts(self.algebra, self.prefixes, apart=area.is_apart)
        self._constants: dict[int, Registers] = {}
        self._starts: dict[int, StartClasses] = {}
        self._meetings: dict[NumberOrder, Meeting | None] = {}

    def _prefix_sides(self) -> list[Registers]:
        area, algebra = self.area, self.algebra
        if not self._alike or area.size <= _SMALL:
            return algebra.prefix_sides([area.masks(row) for row in range(area.count)])
        (first,) = algebra.prefix_sides([area.masks(0)])
        return [
            first,
            *(first ^ drift for drift in algebra.drift_sides(area.images, area.differing)),
        ]

    def meeting(self, order: NumberOrder) -> Meeting | None:
        """The starts and ends that any model can have, with the number right behind the block;
        None where they are too many, or too much in common."""
        if order not in self._meetings:
            self._meetings[order] = None
            if not self._alike and self.area.count > 1:
                asked = self._asked
                natural = self.is_natural(order)
                self._meetings[order] = self.drifts.meet(order, asked, natural=natural)
        return self._meetings[order]

    @cached_property
    def _asked(self) -> Indexes:
        """The ends with room for a number that have a start for some model, or numbers that
        differ."""
        wanted = self.area.stored_levels(self.group.length) > 1
        if self.group.models:
            wanted |= self.area.start_limits_behind(self.group.length) > 0
        return np.flatnonzero(wanted)

    def constant(self, value: int) -> Registers:
        """The key of A^(-k)·value, the same in all images, for k = 0 … n."""
        if value not in self._constants:
            sequence = self.algebra.back_sequence(value, self.area.size + 1)
            self._constants[value] = self.keys.of_shared(sequence)
        return self._constants[value]

    def constants_at(self, value: int, positions: Indexes) -> Registers:
        """The same at some positions."""
        few = self.area.size > _SMALL and _SPARSE * len(positions) < self.area.size
        if few and value not in self._constants:
            moved = self.algebra.back_each(np.full(len(positions), value, np.uint64), positions)
            return self.keys.of_shared(moved)
        return self.constant(value)[positions]

    def models_of(self, xorout: int) -> tuple[CrcModel, ...]:
        """The models that share a final XOR, and so share their ends."""
        return tuple(model for model in self.group.models if model.xorout == xorout)

    @property
    def xorouts(self) -> tuple[int, ...]:
        """Every final XOR of the group's models."""
        return tuple(dict.fromkeys(model.xorout for model in self.group.models))

    def starts(self, xorout: int) -> StartClasses:
        """All starts of the models with this final XOR, at offsets 0 … n - 1."""
        if xorout not in self._starts:
            # One set of starts is as large as the area's keys; a second one would double it.
            if self.area.size > _LARGE:
                self._starts.clear()
            self._starts[xorout] = self._classes(xorout, self._start_keys)
        return self._starts[xorout]

    def starts_of_natural_order(self, xorout: int) -> StartClasses:
        """The same, without starts that only the empty block right before them would fit.

        Where no constant is in the way, the end of a number in natural order has the key of
        the start behind it, always. Only keys that come again tell anything.
        """
        models = self.models_of(xorout)
        # A constant keeps an end's key from being that of the start right behind it.
        if xorout or all(model.init for model in models):
            return self.starts(xorout)
        # Each key meets itself. Only one that comes a second time has another start to meet.
        again = repeated(self.prefix_key)[:-1]

        def side(model: CrcModel) -> Registers:
            keys = self._start_keys(model)
            return keys if model.init else np.where(again, keys, NO_START)

        return self._classes(xorout, side)

    def starts_at(self, xorout: int, positions: Indexes) -> StartClasses:
        """Those at some positions, ascending."""
        key = self.prefix_key[positions]

        def side(model: CrcModel) -> Registers:
            return key ^ self.constants_at(model.init, positions) if model.init else key

        return self._classes(xorout, side, positions)

    def _classes(
        self,
        xorout: int,
        side: Callable[[CrcModel], Registers],
        positions: Indexes | None = None,
    ) -> StartClasses:
        """The starts of all models with this final XOR, given what makes the side of one."""
        models = self.models_of(xorout)
        if len(models) == 1:
            return StartClasses(side(models[0]), 1, positions)
        # Models side by side at each position: index = position · models + model. One at a time:
        # all sides of a large area would take as much again.
        count = self.area.size if positions is None else len(positions)
        keys = np.empty((count, len(models)), np.uint64)
        for place, model in enumerate(models):
            keys[:, place] = side(model)
        return StartClasses(keys.ravel(), len(models), positions)

    def _start_keys(self, model: CrcModel) -> Registers:
        keys = self.prefix_key[:-1]
        return keys ^ self.constant(model.init)[:-1] if model.init else keys

    def is_natural(self, order: NumberOrder) -> bool:
        """Whether the bytes lie in the order in which the register shifts them out."""
        places = tuple(range(self.group.length))
        return order.significance == (places if self.group.reflected else places[::-1])

    def end_keys(self, order: NumberOrder, positions: Indexes) -> Registers:
        """The key of A^(-j)·c_j ⊕ P_j for a number stored right after each j, without final XOR."""
        if self.is_natural(order):
            return self.prefix_key[positions + self.group.length]
        if not self._alike:
            return self._behind(order, positions, self.prefixes) ^ self.prefix_key[positions]
        # Numbers that are the same in all images bring the same sides.
        key = self._behind(order, positions, self.prefixes[:1])
        apart = np.flatnonzero(self.area.stored_levels(self.group.length)[positions] > 1)
        key[apart] = self._behind(order, positions[apart], self.prefixes)
        return key ^ self.prefix_key[positions]

    def _behind(
        self, order: NumberOrder, positions: Indexes, prefixes: Sequence[Registers]
    ) -> Registers:
        """The key of the stored numbers' sides, of all images or of one that stands for them."""
        every = 2 * len(positions) > self.area.size
        stored = [
            self.algebra.stored_sides(prefix, order.significance, None if every else positions)
            for prefix in prefixes
        ]
        key = self.keys.of(stored) if len(stored) > 1 else self.keys.of_shared(stored[0])
        return key[positions] if every else key
