"""Is an address line stuck or open?

With line k stuck, the addresses that differ in bit k alone read the same cell, so the image
equals itself under XOR of that bit, and half of the chip's data is not in the read.
Evidence is counted in blocks of 2**k bytes: how many *different* filled blocks stand beside
their equal. Empty blocks and one block that is there twice prove nothing.

The topmost line cannot be told from two other things: a chip of half the size that wraps,
and a module that keeps two exact copies. It is then said and not rated, unless a layout
shows that there should be no copies.
"""

from __future__ import annotations

from memtool.core.finding import Finding, Severity
from memtool.core.health.evidence import BLANKS, Evidence

_LEAST_FILLED = 8
"""Filled bytes (neither FF nor 00) on each side of the mirror, below which nothing is said."""
_LEAST_VALUES = 4
"""Different byte values among them."""


def find_stuck_address_lines(evidence: Evidence) -> tuple[Finding, ...]:
    """Every bit under which the whole image equals itself.

    Only an image of one segment is looked at, and only bits that divide it evenly.
    """
    if len(evidence.image.segments) != 1 or evidence.distinct < _LEAST_VALUES:
        return ()
    if evidence.filled < 2 * _LEAST_FILLED:
        return ()
    lines = [bit for bit in _bits(evidence.size) if _is_mirrored(evidence, bit)]
    if not lines:
        return ()
    # The topmost address bit: 2**n bytes have bits 0 to n - 1, and a bit length of n + 1.
    top = evidence.size.bit_length() - 2
    upper = [bit for bit in lines if _are_topmost(lines, bit, top)]
    lower = [bit for bit in lines if bit not in upper]
    found = []
    if lower:
        found.append(_stuck(evidence, lower))
    if upper:
        found.append(_halves(evidence, min(upper)))
    return tuple(found)


def _bits(size: int) -> range:
    """Bits that divide the image into whole pairs of blocks."""
    # `size & -size` is the largest power of two that divides the size.
    odd = (size & -size).bit_length() - 1
    return range(odd)


def _is_mirrored(evidence: Evidence, bit: int) -> bool:
    # [x, 0] and [x, 1] are the blocks whose addresses differ in this bit alone.
    pairs = evidence.data.reshape(-1, 2, 1 << bit)
    # The first few pairs rule out nearly every bit without a pass over the whole image.
    few = max(1, 4096 >> bit)
    if not bool((pairs[:few, 0] == pairs[:few, 1]).all()):
        return False
    return bool((pairs[:, 0] == pairs[:, 1]).all())


def _are_topmost(lines: list[int], bit: int, top: int) -> bool:
    """Whether all lines from `bit` to the top mirror: the image is a smaller one repeated."""
    return all(other in lines for other in range(bit, top + 1))


def _stuck(evidence: Evidence, lines: list[int]) -> Finding:
    names = " and ".join(f"A{bit}" for bit in lines)
    many = len(lines) > 1
    rated = _different_blocks(evidence, max(lines)) > 1
    if rated:
        text = (
            f"The content repeats wherever address bit{'s' if many else ''} {names} "
            f"change{'' if many else 's'}: line {names} is stuck or open, and half of the data or "
            "more is missing from this read; check that line and its contact, read again."
        )
        return evidence.finding("address-line", Severity.FAILURE, text)
    text = (
        f"The few filled bytes appear twice, {1 << max(lines):,} addresses apart (address bit "
        f"{names}): a deliberate copy, or that line is stuck; compare with another read."
    )
    return evidence.finding("address-line-possible", Severity.INFO, text)


def _different_blocks(evidence: Evidence, bit: int) -> int:
    """How many different filled blocks stand beside their equal."""
    length = 1 << bit
    # One of each pair: the other is its equal.
    blocks = evidence.data.reshape(-1, 2, length)[:, 0]
    filled = (blocks != BLANKS[0]) & (blocks != BLANKS[1])
    least = min(length, 4)
    content = {block.tobytes() for block in blocks[filled.sum(axis=1) >= least][:4096]}
    return len(content)


def _halves(evidence: Evidence, bit: int) -> Finding:
    times = evidence.size >> bit
    said = f"The first {1 << bit:,} bytes are there {times} times"
    layout = evidence.layout
    if layout is not None and not any(region.copy_of for region in layout.regions):
        text = (
            f"{said}, and layout '{layout.name}' knows of no copies: a smaller chip was read as a "
            f"larger one, or line A{bit} is stuck; check the chip's marking and that line."
        )
        return evidence.finding("halves-equal", Severity.FAILURE, text)
    text = (
        f"{said}: deliberate copies, a smaller chip read as a larger one, or line A{bit} stuck. "
        "The bytes cannot show which: check the chip's marking, or compare with another module."
    )
    # Nobody keeps four exact copies of everything; two are a known way to be safe.
    severity = Severity.INFO if times == 2 else Severity.WARNING
    return evidence.finding("halves-equal", severity, text)
