"""CRCs whose start value and final XOR are in no catalogue, from two or more images.

Facts
-----
- XOR the equations of two images: both constants cancel. What remains, ΔP_i ⊕ ΔP_j =
  A^(-j)·Δc_j, fixes polynomial, reflection, end and field.
- The start is fixed only up to bytes that are equal in all images: ΔP does not move there.
  The shortest block starts at the first byte that differs.
- One equation pays for the unknown constants: e different stored numbers are worth
  width·(e - 1) bits, and only ends with different stored numbers say anything.
- Blocks of one length give K = A^length·init ⊕ xorout alone. A second length separates the
  two where both starts are known: (A^l ⊕ A^m)·init = K_l ⊕ K_m. A polynomial with the factor
  x + 1 leaves two solutions whatever the lengths: that map is never of full rank.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from memtool.core.checksums.crc import CrcParameters, compute_crc, reflect
from memtool.core.discovery.area import Area
from memtool.core.discovery.classes import Indexes, Keys, StartClasses
from memtool.core.discovery.collecting import NumberOrder, number_orders, order_batches
from memtool.core.discovery.copies import is_too_short
from memtool.core.discovery.crc_sides import CrcGroup, CrcSides
from memtool.core.discovery.evidence import Chance, Levels, independent_rows
from memtool.core.discovery.register_algebra import RegisterAlgebra, algebra_of
from memtool.core.discovery.results import (
    CONVINCING,
    DiscoveredBlock,
    Equivalent,
    Placement,
    Standing,
    UnknownConstants,
)
from memtool.core.span import Span, spans_of_addresses

_MOST_EXPECTED = 1.0
"""A width is not searched where chance makes more matches than this."""
_MOST_ROWS = 64
"""Of one order, that are confirmed."""
_MOST_FREE = 2


@dataclass(frozen=True, slots=True)
class _Model:
    width: int
    poly: int
    reflected: bool

    @property
    def name(self) -> str:
        """What people read; no name of a catalogue."""
        digits = self.width // 4
        flags = f"refin={str(self.reflected).lower()} refout={str(self.reflected).lower()}"
        return f"CRC-{self.width} poly=0x{self.poly:0{digits}X} {flags}"

    def parameters(self, init: int, xorout: int) -> CrcParameters:
        """In the catalogue's terms; the check value is not known."""
        return CrcParameters(
            width=self.width,
            poly=self.poly,
            init=init,
            refin=self.reflected,
            refout=self.reflected,
            xorout=xorout,
            check=0,
        )


class UnknownSearch:
    """Searches one area for all polynomials of the catalogue, either way round."""

    def __init__(self, area: Area, groups: Iterable[CrcGroup], *, word_swapped: bool) -> None:
        """Take the polynomials from `groups`, and count what chance makes of them."""
        self._area = area
        self._word_swapped = word_swapped
        self._chance = Chance()
        by_width: dict[int, list[_Model]] = {}
        for width, poly in dict.fromkeys((group.width, group.poly) for group in groups):
            models = [_Model(width, poly, reflected) for reflected in (False, True)]
            by_width.setdefault(width, []).extend(models)
        self._models = {
            model
            for width, models in by_width.items()
            if area.count > 1 and area.size > width // 8 and self._count_chance(width, models)
            for model in models
        }

    @property
    def groups(self) -> list[CrcGroup]:
        """What is worth a search: polynomials and reflections, without models."""
        models = sorted(self._models, key=lambda model: (model.width, model.poly, model.reflected))
        return [CrcGroup(model.width, model.poly, model.reflected, ()) for model in models]

    def _ends(self, length: int) -> tuple[Indexes, Levels]:
        """Ends whose stored numbers differ, and how many different ones each has."""
        levels = self._area.stored_levels(length)
        # A number at offset 0 has no block before it.
        ends = 1 + np.flatnonzero(levels[1:] > 1)
        return ends, levels[ends]

    def _telling(self, length: int, ends: Indexes) -> Indexes:
        """The same of some ends alone."""
        differ = self._area.stored_levels(length)[ends] > 1
        return ends[differ & (ends > 0)]

    def _count_chance(self, width: int, models: Sequence[_Model]) -> bool:
        """Whether chance leaves room for a finding; counts it if so."""
        ends, levels = self._ends(width // 8)
        moves = np.zeros(self._area.size + 1, np.int64)
        moves[1:][self._area.differing] = 1
        # Starts that no two images tell apart are one: as many as differing bytes before the end,
        # and one.
        classes = 1 + np.cumsum(moves)
        tried = len(models) * len(number_orders(width // 8, word_swapped=self._word_swapped))
        found: dict[int, float] = {}
        for level in np.unique(levels):
            pairs = float(classes[ends[levels == level]].sum())
            found[int(level)] = tried * pairs * 2.0 ** (-width * (int(level) - 1))
        # Even the fields with most different numbers drown.
        if not found or min(found.values()) > _MOST_EXPECTED:
            return False
        for level, expected in found.items():
            self._chance.add(width * (level - 1), expected)
        return True

    def run(self, sides: CrcSides, found: list[DiscoveredBlock]) -> Iterator[None]:
        """Search for one polynomial; pauses after each piece of work.

        Args:
            sides: Of a polynomial and reflection; nothing is done unless it is worth it.
            found: Takes the blocks.
        """
        group = sides.group
        model = _Model(group.width, group.poly, group.reflected)
        if model not in self._models:
            return
        orders = number_orders(model.width // 8, word_swapped=self._word_swapped)
        for some in order_batches(orders, self._area):
            yield from self._run_orders(sides, model, some, found)

    def _run_orders(
        self,
        sides: CrcSides,
        model: _Model,
        orders: Sequence[NumberOrder],
        found: list[DiscoveredBlock],
    ) -> Iterator[None]:
        drifts, length = sides.drifts, model.width // 8
        # All images less the first one: one equation goes for the constants.
        images = drifts.all_images
        asked: list[tuple[NumberOrder, Indexes, Keys]] = []
        met: list[Indexes] = []
        for order in orders:
            meeting = sides.meeting(order)
            if meeting is None:
                ends, _ = self._ends(length)
                if sides.is_natural(order):
                    ends = drifts.coming_again(images, ends)
            else:
                ends = self._telling(length, meeting.ends)
                met.append(meeting.starts)
            if len(ends):
                asked.append((order, ends, drifts.behind(images, order, ends)))
            yield
        if not asked:
            return
        if len(met) == len(orders):
            positions = np.unique(np.concatenate(met))
            starts = StartClasses(drifts.at(images, positions), 1, positions)
        else:
            _, starts = drifts.between(images)
        order_of = np.repeat(np.arange(len(asked)), [len(ends) for _, ends, _ in asked])
        ends, keys = (np.concatenate([each[part] for each in asked]) for part in (1, 2))
        matches = starts.match(keys, ends, fields=order_of)
        if matches is None:
            return
        shown = [0] * len(asked)
        for row, place in enumerate(matches.ends):
            turn = order_of[place]
            shown[turn] += 1
            if shown[turn] <= _MOST_ROWS:
                end = int(ends[place])
                same = matches.starts_like(row)
                found += self._block(model, asked[turn][0], same[same < end], end)

    def _block(
        self, model: _Model, order: NumberOrder, starts: Indexes, end: int
    ) -> Iterator[DiscoveredBlock]:
        area, length = self._area, model.width // 8
        field = Span(area.base + end, area.base + end + length)
        start = int(starts[-1])
        # The start is known up to equal bytes alone: what differs must be a block by itself.
        if is_too_short(0, area.count_differing(start, end), length):
            return
        numbers = [order.number(content[end : end + length]) for content in area.contents]
        plain = model.parameters(0, 0)
        constants = {
            number ^ compute_crc(plain, content[start:end])
            for number, content in zip(numbers, area.contents, strict=True)
        }
        adding = independent_rows(numbers, linear=True)
        bits = model.width * (len(adding) - 1)
        # One constant in all images, or the equation did not hold.
        if len(constants) > 1 or not bits:
            return
        expected = self._chance.expected(bits, tier=0)
        if expected > _MOST_EXPECTED:
            return
        constant = constants.pop()
        yield DiscoveredBlock(
            algorithm=model.name,
            block=Span(area.base + start, area.base + end),
            field=field,
            byte_order=order.byte_order,
            word_swapped=order.word_swapped,
            total=None,
            placement=Placement.AFTER_BLOCK,
            images=tuple(area.numbers[row] for row in adding),
            bits=bits,
            expected_by_chance=expected,
            start_expected_by_chance=float(len(starts) - 1),
            standing=Standing.CONVINCING if expected < CONVINCING else Standing.WEAK,
            equivalents=_other_starts(model, order, area.base + starts[:-1], field.start),
            unknown=UnknownConstants(
                width=model.width,
                poly=model.poly,
                reflected=model.reflected,
                constant=constant,
                pairs=_plain_pairs(model, constant, end - start),
            ),
        )


def without_known(
    found: Sequence[DiscoveredBlock], known: Sequence[DiscoveredBlock]
) -> list[DiscoveredBlock]:
    """Those whose field no known block explains, best first; constants told apart where two
    lengths do."""
    fields = [block.field for block in known if block.field is not None]
    own = [
        block
        for block in found
        if block.field is not None and not any(block.field.overlaps(other) for other in fields)
    ]
    return _separated(sorted(own, key=lambda block: (block.expected_by_chance, block.block)))


def _other_starts(
    model: _Model, order: NumberOrder, starts: Indexes, end: int
) -> tuple[Equivalent, ...]:
    if not len(starts):
        return ()
    found = Equivalent(
        algorithm=model.name,
        byte_order=order.byte_order,
        word_swapped=order.word_swapped,
        total=None,
        starts=spans_of_addresses(int(start) for start in starts)[:32],
        ends=(Span(end, end + 1),),
        field=None,
        start_step=1,
        end_step=1,
        count=len(starts),
    )
    return (found,)


def _plain_pairs(model: _Model, constant: int, length: int) -> tuple[tuple[int, int], ...]:
    """(init, xorout) with one of them all zeros or all ones."""
    ones = (1 << model.width) - 1
    algebra = algebra_of(model.width, model.poly, model.reflected)
    found: dict[tuple[int, int], None] = {}
    for known in (0, ones):
        # constant = A^length·init ⊕ xorout, solved for either one.
        init = algebra.back(constant ^ known, length)
        found[_as_written(model, init), known] = None
        found[known, constant ^ algebra.forward(known, length)] = None
    return tuple(sorted(found))


def _as_written(model: _Model, register: int) -> int:
    return reflect(register, model.width) if model.reflected else register


def _separated(blocks: list[DiscoveredBlock]) -> list[DiscoveredBlock]:
    """Where two lengths with known starts have one solution, that one alone."""
    found = list(blocks)
    for place, block in enumerate(blocks):
        for other in blocks:
            pairs = _solve(block, other)
            if pairs and block.unknown is not None:
                found[place] = replace(block, unknown=replace(block.unknown, pairs=pairs))
                break
    return found


def _solve(block: DiscoveredBlock, other: DiscoveredBlock) -> tuple[tuple[int, int], ...]:
    one, two = block.unknown, other.unknown
    known = not block.equivalents and not other.equivalents
    if one is None or two is None or not known or len(block.block) == len(other.block):
        return ()
    model = _Model(one.width, one.poly, one.reflected)
    if (two.width, two.poly, two.reflected) != (one.width, one.poly, one.reflected):
        return ()
    algebra = algebra_of(model.width, model.poly, model.reflected)
    lengths = len(block.block), len(other.block)
    return tuple(
        (_as_written(model, register), one.constant ^ algebra.forward(register, lengths[0]))
        for register in _solutions(algebra, lengths, one.constant ^ two.constant)
    )


def _solutions(algebra: RegisterAlgebra, lengths: tuple[int, int], goal: int) -> list[int]:
    """All registers r with (A^l ⊕ A^m)·r = goal; none where there are more than a few."""
    # Gaussian elimination over GF(2) on (image, source): by highest bit, as in `independent_rows`.
    rows: dict[int, tuple[int, int]] = {}
    free: list[int] = []
    for bit in range(algebra.width):
        source = 1 << bit
        image = algebra.forward(source, lengths[0]) ^ algebra.forward(source, lengths[1])
        image, source = _reduced(image, source, rows)
        if image:
            rows[image.bit_length()] = image, source
        else:
            # Maps to nothing: added to one solution it makes another.
            free.append(source)
    # What takes the goal down to nothing is a source of the goal.
    rest, register = _reduced(goal, 0, rows)
    if rest or len(free) > _MOST_FREE:
        return []
    found = [register]
    for source in free:
        # Each free source doubles the solutions.
        found += [known ^ source for known in found]
    return sorted(found)


def _reduced(image: int, source: int, rows: dict[int, tuple[int, int]]) -> tuple[int, int]:
    while image and image.bit_length() in rows:
        other_image, other_source = rows[image.bit_length()]
        image, source = image ^ other_image, source ^ other_source
    return image, source
