"""Is a data line stuck, or are two of them shorted?

Serial chips send all bits over one line; their "data line" faults come from readers and
adapters with a parallel side, from level problems in single bits, and from transfers
that carry seven bits only. Whatever the way, one bit is the same in every byte.

Evidence that it is not the content itself:

* the fill: erased memory reads FF, cleared memory 00; a stuck line leaves fill with exactly
  one bit wrong (F7 for bit 3 at 0), which no memory has by itself; or
* richness: all other seven bits take both values often, in many different bytes, and most
  bytes are not those of a record before.

Seven-bit text has bit 7 at 0 by nature, so for that bit control characters are asked for.
"""

from __future__ import annotations

from itertools import combinations

from memtool.core.finding import Finding, Severity
from memtool.core.health.evidence import Evidence, is_table
from memtool.core.runs import runs_of_mask
from memtool.lazy import np

_LEAST_FILL = 16
"""Length of a run of fill with one wrong bit."""
_LEAST_BYTES = 48
"""Filled bytes that richness needs."""
_LEAST_VALUES = 24
"""Different values among them."""
_BALANCE = 0.06
"""Each other bit must hold its rarer value in so great a part of the filled bytes."""
_CONTROL_SHARE = 0.08
"""Part of the filled bytes that are control characters, which text has hardly any of."""
_TEXT_CONTROLS = (0x09, 0x0A, 0x0D)
_SLOW_BIT = 5
"""From this bit on, tables that climb slowly hold a bit in one state for long."""
_SLOW_STEP = 12
"""Most steps of a slow table are no greater."""


def find_stuck_data_lines(evidence: Evidence) -> tuple[Finding, ...]:
    """Every bit that is the same in all bytes, where evidence says it should not be."""
    present = np.flatnonzero(evidence.counts).astype(np.uint8)
    # Three values leave most bits unchanged by nature.
    if len(present) < 4:
        return ()
    # Over the values that occur, not over all bytes: the bits set in each of them, and in any of
    # them.
    always = int(np.bitwise_and.reduce(present))
    ever = int(np.bitwise_or.reduce(present))
    found = []
    for bit in range(8):
        mask = 1 << bit
        # The bit takes both values.
        if not always & mask and ever & mask:
            continue
        level = 1 if always & mask else 0
        if _fill_lacks_it(evidence, mask, level) or _is_rich(evidence, mask, level):
            found.append(_stuck(evidence, bit, level))
    return tuple(found)


def _stuck(evidence: Evidence, bit: int, level: int) -> Finding:
    if (bit, level) == (7, 0):
        text = (
            "Bit 7 is 0 in every byte: the eighth bit was stripped in transfer, or data line D7 is "
            "held low. That bit is lost: check line and adapter, transfer in binary, read again."
        )
        return evidence.finding("data-bit-7-lost", Severity.FAILURE, text)
    text = (
        f"Bit {bit} is {level} in every byte: data line D{bit} is stuck at {level} (open, shorted "
        "or a bad adapter contact) and that bit is lost; check it, read again."
    )
    return evidence.finding("data-line-stuck", Severity.FAILURE, text)


def _fill_lacks_it(evidence: Evidence, mask: int, level: int) -> bool:
    """Whether a run of fill has this one bit wrong."""
    value = mask if level else 0xFF ^ mask
    if int(evidence.counts[value]) < _LEAST_FILL:
        return False
    return bool(runs_of_mask(evidence.data == value, least=_LEAST_FILL))


def _is_rich(evidence: Evidence, mask: int, level: int) -> bool:
    """Whether the other seven bits look like those of binary content."""
    if mask >> _SLOW_BIT and _climbs_slowly(evidence):
        return False
    weights = _filled_weights(evidence, mask, level)
    total = sum(weights.values())
    if total < _LEAST_BYTES or len(weights) < _LEAST_VALUES:
        return False
    for other in range(8):
        if 1 << other == mask:
            continue
        ones = sum(count for value, count in weights.items() if value >> other & 1)
        if min(ones, total - ones) < _BALANCE * total:
            return False
    if is_table(evidence):
        return False
    # Bit 7 at 0 is what plain text looks like, so text must be ruled out as well.
    if mask != 0x80 or level:
        return True
    controls = sum(
        count
        for value, count in weights.items()
        if (value < 0x20 or value == 0x7F) and value not in _TEXT_CONTROLS
    )
    return controls >= _CONTROL_SHARE * total and len(weights) >= 2 * _LEAST_VALUES


def _climbs_slowly(evidence: Evidence) -> bool:
    """Whether most bytes that are no fill are near to the byte before."""
    data = evidence.data.astype(np.int16)
    filled = (data[1:] != 0) & (data[1:] != 0xFF)
    near = np.abs(np.diff(data)) <= _SLOW_STEP
    return 2 * int((near & filled).sum()) > int(filled.sum())


def _filled_weights(evidence: Evidence, mask: int, level: int) -> dict[int, int]:
    """How often each value occurs that is no fill, also not fill seen through the stuck line."""
    fills = {0x00, 0xFF, mask if level else 0xFF ^ mask}
    return {
        value: int(count)
        for value, count in enumerate(evidence.counts)
        if count and value not in fills
    }


def find_shorted_data_lines(evidence: Evidence) -> tuple[Finding, ...]:
    """Every pair of bits that are equal in all bytes although both change often."""
    values = [value for value in range(256) if evidence.counts[value]]
    weights = {value: int(evidence.counts[value]) for value in values if value not in (0, 0xFF)}
    total = sum(weights.values())
    if total < _LEAST_BYTES or len(weights) < _LEAST_VALUES:
        return ()
    found = []
    for low, high in combinations(range(8), 2):
        # The two bits differ in this value; `>>` comes before `^`.
        if any((value >> low ^ value >> high) & 1 for value in weights):
            continue
        ones = sum(count for value, count in weights.items() if value >> low & 1)
        if min(ones, total - ones) < _BALANCE * total:
            continue
        if (low >= _SLOW_BIT and _climbs_slowly(evidence)) or is_table(evidence):
            continue
        text = (
            f"Bits {low} and {high} are equal in every byte: data lines D{low} and D{high} are "
            "shorted (solder bridge, bent pin) and one bit is lost; check them, read again."
        )
        found.append(evidence.finding("data-lines-shorted", Severity.FAILURE, text))
    return tuple(found)
