"""What it looks like when reads of one chip differ, and what that says about the bench.

The shape of a difference tells its cause. Tried in this order, the first that fits is told:

1. the reads define different addresses (another chip, size or base chosen);
2. one read holds one byte throughout: no contact in that read;
3. one read is the other in another order (words swapped, inverted, bits reversed);
4. from some place on, one read is the other shifted (the clock slipped);
5. one read repeats one half of the other: an address line;
6. one bit of the byte alone ever differs: a data line;
7. the reads hold different VINs: they are of two modules;
8. the differing bytes lie close together: the module was awake and counted;
9. one or two bytes: noise or a counter, which two reads cannot tell apart;
10. else they are scattered: a weak contact.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import combinations
from math import comb
from typing import TYPE_CHECKING

from memtool.core.finding import Finding, Severity
from memtool.core.health.byte_orders import ORDERS, reordered
from memtool.core.health.voting import vote_bytes
from memtool.core.image import Image
from memtool.core.span import Span, count_addresses, format_address, format_span
from memtool.core.texts.different_vins import find_different_vins
from memtool.lazy import np

if TYPE_CHECKING:
    from memtool.core.runs import Bytes

TWO_MODULES = "reads-of-two-modules"
"""Code of the finding that no reading again can mend."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Difference:
    """Reads that cover the same addresses and differ."""

    images: Sequence[Image]
    arrays: Sequence[Bytes]
    """The reads' bytes, segments one after the other."""
    pair: tuple[Bytes, Bytes]
    """The two reads that differ most; they show the cause most clearly."""
    names: str
    """``read 2 is read 1``: how the second of the pair is described by the first."""
    spans: tuple[Span, ...]
    count: int
    """Addresses in `spans`."""
    size: int
    """Bytes of each read."""
    more: int | None
    """Further reads that would settle scattered noise."""

    @property
    def said(self) -> str:
        """How a sentence about the difference begins."""
        return f"{self.count:,} of {self.size:,} bytes differ between the reads"


def explain_disagreement(
    images: Sequence[Image],
    arrays: Sequence[Bytes],
    differing: tuple[Span, ...],
    extra: tuple[Span, ...],
    more: int | None,
) -> tuple[Finding, bool]:
    """Name the cause.

    Args:
        images: The reads.
        arrays: Their bytes at the addresses that all of them define.
        differing: Those of these addresses at which they differ.
        extra: The addresses that only some of them define.
        more: Further reads that would settle scattered noise.

    Returns:
        The finding, and whether further reads can settle the matter.
    """
    if extra:
        sizes = ", ".join(f"{image.size:,}" for image in images[:6])
        return _failure(
            "reads-differ-size",
            f"The reads do not cover the same addresses ({sizes} bytes); read again with the same "
            "chip, size and base chosen each time.",
            extra,
        ), False
    first, second = _a_differing_pair(arrays)
    difference = _Difference(
        images=images,
        arrays=arrays,
        pair=(arrays[first], arrays[second]),
        names=f"read {second + 1} is read {first + 1}",
        spans=differing,
        count=count_addresses(differing),
        size=images[0].size,
        more=more,
    )
    for explain in _BEYOND_COUNTING:
        told = explain(difference)
        if told is not None:
            return _failure(*told, differing), False
    return _failure(*_explain_noise(difference), differing), True


def _failure(code: str, text: str, spans: tuple[Span, ...]) -> Finding:
    return Finding(code=code, severity=Severity.FAILURE, text=text, spans=spans)


def _explain_empty(difference: _Difference) -> tuple[str, str] | None:
    for number, array in enumerate(difference.arrays, 1):
        if len(array) > 1 and bool((array == array[0]).all()):
            text = (
                f"Read {number} holds {int(array[0]):02X} throughout and the others do not: no "
                "contact in that read; clean the pins, reseat the clip, read again."
            )
            return "reads-differ-empty", text
    return None


def _explain_order(difference: _Difference) -> tuple[str, str] | None:
    for name, words in ORDERS:
        view = reordered(difference.pair[1], name)
        if view is not None and bool((view == difference.pair[0]).all()):
            text = (
                f"{difference.names.capitalize()} with {words}: the reader was set up "
                "differently; read again with one setting. In a job 'start' sorts this out; "
                f"outside a job, convert one read with benchimage convert --view {name}."
            )
            return "reads-differ-order", text
    return None


_SHIFT_WINDOW = 4096
"""Bytes after the first difference that are looked at."""
_LONGEST_SHIFT = 64
"""Bits in either direction."""
_LEAST_DIFFERING = 12
"""Differing bytes below which a line cannot be told from other damage."""
_LEAST_SHIFTED = 6
"""Differing bytes below which a shift cannot be told from a counter."""
_LEAST_COMMON_BITS = 64
"""Bits that two reads must have in common at a shift; so many are never equal by chance."""


def _explain_shift(difference: _Difference) -> tuple[str, str] | None:
    a, b = difference.pair
    # Before it both are the same, whatever happened behind.
    first = int(np.flatnonzero(a != b)[0])
    a, b = (array[first : first + _SHIFT_WINDOW] for array in (a, b))
    if int((a != b).sum()) < _LEAST_SHIFTED:
        return None
    a, b = np.unpackbits(a), np.unpackbits(b)
    wrong = int((a != b).sum())
    for shift in sorted(range(-_LONGEST_SHIFT, _LONGEST_SHIFT + 1), key=abs):
        # Each shift is judged where both reads have bits; a short rest would fit by chance.
        early, late = max(0, -shift), max(0, shift)
        common = len(a) - abs(shift)
        if not shift or common < _LEAST_COMMON_BITS:
            continue
        apart = int((a[early : early + common] != b[late : late + common]).sum())
        # Shifted, nine in ten of the wrong bits are right; some may be wrong for another cause.
        if 10 * apart <= wrong:
            number, unit = (abs(shift) // 8, "byte") if shift % 8 == 0 else (abs(shift), "bit")
            text = (
                f"From {format_address(difference.spans[0].start)} on {difference.names} shifted "
                f"by {number} {unit}{'s' if number > 1 else ''}: the clock slipped or a dummy byte "
                "was counted; lower the clock rate, shorten the wires, read again."
            )
            return "reads-differ-shift", text
    return None


def _explain_address_line(difference: _Difference) -> tuple[str, str] | None:
    """Some read repeats one half of another's bytes wherever one address bit changes."""
    length = len(difference.arrays[0])
    if difference.count < _LEAST_DIFFERING:
        return None
    for bit in range(length.bit_length() - 1):
        step = 1 << bit
        # Larger steps do not divide the length either.
        if length % (2 * step):
            break
        halves = [array.reshape(-1, 2, step) for array in difference.arrays]
        for number, half in enumerate(halves):
            if not bool((half[:, 0] == half[:, 1]).all()):
                continue
            if not any(_holds_one_half_of(half, other) for other in halves):
                continue
            text = (
                f"{difference.said}: read {number + 1} repeats itself wherever address line A{bit} "
                "changes and has lost half of the data; check that line, reseat the clip, read "
                "again."
            )
            return "reads-differ-address-line", text
    return None


def _holds_one_half_of(mirrored: Bytes, other: Bytes) -> bool:
    """Whether `mirrored` is wholly what `other` holds on one side of the address bit."""
    equal = mirrored == other
    # One side and not the other: equal on both sides the two reads would not differ.
    return bool(equal[:, 0].all()) is not bool(equal[:, 1].all())


def _explain_data_line(difference: _Difference) -> tuple[str, str] | None:
    bits = _differing_bits(difference.arrays)
    # `bits & (bits - 1)` takes the lowest bit away: something left means more than one.
    if difference.count < 4 or bits & (bits - 1):
        return None
    # A counter that moved by little differs in one bit as well, but in one place.
    if difference.count < _LEAST_DIFFERING and _close_together(difference):
        return None
    text = (
        f"{difference.said}, always in bit {bits.bit_length() - 1} alone "
        f"({_flips_text(difference.arrays)}): that data line or its contact is weak; clean the "
        "pins, reseat the clip, read again."
    )
    return "reads-differ-data-line", text


def _explain_two_modules(difference: _Difference) -> tuple[str, str] | None:
    different = find_different_vins(difference.images) if difference.count > 2 else None
    if different is None:
        return None
    # Bits that one read has wrong make characters others, too, each mostly by one bit.
    flips = [(ord(a) ^ ord(b)).bit_count() for a, b in zip(*different, strict=True) if a != b]
    if len(flips) < 2 or max(flips) < 2:
        return None
    text = (
        f"{difference.said}, and their VINs differ: these are reads of two modules, not two reads"
        " of one."
    )
    return TWO_MODULES, text


def _explain_region(difference: _Difference) -> tuple[str, str] | None:
    if difference.count <= 2 or not _close_together(difference):
        return None
    extent = Span(difference.spans[0].start, difference.spans[-1].end)
    text = (
        f"{difference.said}, close together within {extent}: the module was probably awake and "
        "counted; hold it in reset or read the chip out of circuit, then read twice again."
    )
    return "reads-differ-region", text


_BEYOND_COUNTING: tuple[Callable[[_Difference], tuple[str, str] | None], ...] = (
    _explain_empty,
    _explain_order,
    _explain_shift,
    _explain_address_line,
    _explain_data_line,
    _explain_two_modules,
    _explain_region,
)
"""Causes that no number of further reads mends, in the order in which they are tried."""


def _explain_noise(difference: _Difference) -> tuple[str, str]:
    flips = _flips_text(difference.arrays)
    settle = "no number of further reads would settle it in this state"
    if difference.more is not None:
        reads = f"{difference.more} more read{'s' if difference.more > 1 else ''}"
        settle = f"about {reads} would let a majority settle it"
    if difference.count <= 2:
        places = " and ".join(format_span(span) for span in difference.spans)
        text = f"{difference.said}, at {places} ({flips}): a weak contact, or a counter that moved "
        return "reads-differ-few", f"{text}on; {settle}."
    text = f"{difference.said}, scattered ({flips}): weak contact or supply; clean the pins, "
    return "reads-differ-scattered", f"{text}reseat the clip, shorten the wires; {settle}."


def _a_differing_pair(arrays: Sequence[Bytes]) -> tuple[int, int]:
    """Numbers of the two reads that differ most; the first pair of them."""
    return max(
        combinations(range(len(arrays)), 2),
        key=lambda pair: int((arrays[pair[0]] != arrays[pair[1]]).sum()),
    )


def _flips_text(arrays: Sequence[Bytes]) -> str:
    """Direction of the flipped bits, seen from the majority, with two reads from the first."""
    basis = arrays[0] if len(arrays) == 2 else vote_bytes(arrays)[0]
    rising = sum(int(np.bitwise_count(array & ~basis).sum()) for array in arrays)
    falling = sum(int(np.bitwise_count(basis & ~array).sum()) for array in arrays)
    if rising and falling:
        return f"{falling} bits from 1 to 0, {rising} from 0 to 1"
    direction, number = ("0 to 1", rising) if rising else ("1 to 0", falling)
    return f"one bit from {direction}" if number == 1 else f"all {number} bits from {direction}"


def _differing_bits(arrays: Sequence[Bytes]) -> int:
    """Mask of the bits that differ anywhere."""
    bits = 0
    for array in arrays[1:]:
        bits |= int(np.bitwise_or.reduce(arrays[0] ^ array))
    return bits


_CLUSTER_GAP = 32
"""Differing bytes this near to each other belong together: a counter and its copy, a record."""


def _close_together(difference: _Difference) -> bool:
    """Whether the bytes lie in so few places that scattered noise would hardly do it."""
    count, size = difference.count, difference.size
    clusters: list[list[int]] = []
    for span in difference.spans:
        if clusters and span.start - clusters[-1][1] <= _CLUSTER_GAP:
            clusters[-1][1] = span.end
        else:
            clusters.append([span.start, span.end])
    width = sum(end - start for start, end in clusters)
    # Too many places, or too wide ones, to be called close together.
    if len(clusters) > 4 or 2 * len(clusters) > count or 4 * width > size:
        return False
    # Odds that uniformly scattered bytes fall into so few windows of this width.
    share = min(1.0, (width + _CLUSTER_GAP * len(clusters)) / size)
    # Each place is where one of the bytes happens to lie; the others must fall near one of them.
    return comb(count, len(clusters)) * share ** (count - len(clusters)) < 0.01
