"""How many blocks chance makes that begin and end as naturally as the one found.

Discovery says how many blocks with as much evidence chance makes among all that were
tried. Most of those begin and end in the middle of nowhere; a real block begins and ends
where something begins and ends. So the same count is made again for the few blocks that
are as natural as the one found:

    E = pairs * readings * 2^-bits

with the bits of evidence that discovery counted, the readings (algorithms and byte orders)
of that width that are as common in practice, and the pairs of start and end that are as natural:

| the block                                                              | pairs          |
|------------------------------------------------------------------------|----------------|
| begins where something begins, and its field ends where that ends      | starts         |
| begins where something begins, and its field ends where something ends | starts * ends  |
| only one of both                                                       | bytes * either |
| neither                                                                | bytes^2 / 2    |

A multiple of 16 is a start of a second kind: there are bytes / 16 of them. "Something" is
the memory itself, what lies between erased runs, a text, a found checksum. A start inside a
VIN or a text is a hundred times less likely. A field that lies in a
VIN, inside a text, or in erased bytes is no field, nor a sum's whose second half is erased in
every image: a narrower sum says the same.
"""

from __future__ import annotations

from functools import cache

import numpy as np

from memtool.core.checksums.algorithms import Algorithm, get_algorithm
from memtool.core.checksums.checksum import ChecksumRule
from memtool.core.discovery import searched_algorithms
from memtool.core.drafting.assembly import Assembly
from memtool.core.layouts.layout import RegionKind
from memtool.core.span import Span

_INSIDE_TEXT = 100
_COMMON_CRCS = frozenset(
    {
        *("CRC-8/SMBUS", "CRC-8/SAE-J1850", "CRC-8/AUTOSAR", "CRC-8/MAXIM-DOW"),
        *("CRC-16/IBM-3740", "CRC-16/XMODEM", "CRC-16/KERMIT", "CRC-16/IBM-SDLC"),
        *("CRC-16/ARC", "CRC-16/MODBUS", "CRC-32/ISO-HDLC", "CRC-32/BZIP2", "CRC-32/MPEG-2"),
    }
)
"""Met more often than the rest of the catalogue. Common practice, no source."""


def expect_naturally(assembly: Assembly, rule: ChecksumRule, contents: float) -> float | None:
    """E by the table of the module; None where the field cannot be one."""
    survey, field, block = assembly.survey, rule.stored, rule.covers[0]
    blank = survey.blank[survey.slice_of(field)]
    is_crc = get_algorithm(rule.algorithm).sum is None
    if blank.all() or (blank[len(field) // 2 :].all() and not is_crc):
        return None
    if _is_in_identity(assembly, field):
        return None
    starts, ends = assembly.natural_starts, assembly.natural_ends
    size = len(survey.span)
    if block.start in starts:
        pairs = float(len(starts))
    elif block.start % 16 == 0:
        pairs = size / 16
    else:
        pairs = float(size)
    # With the field right behind, block and field end together.
    end = field.end if field.start == block.end else block.end
    # The very end of what began costs nothing: there is one for each start.
    if end != assembly.next_end(block.start):
        # Half of all addresses lie behind a start on average.
        pairs *= len(ends) if end in ends else size / 2
    if assembly.is_inside_text(block.start):
        pairs *= _INSIDE_TEXT
    algorithm = get_algorithm(rule.algorithm)
    bits = algorithm.width * contents - _borrowed_bits(assembly, rule, algorithm, contents)
    return pairs * _count_readings(algorithm) * float(2.0**-bits)


def expect_anywhere(assembly: Assembly, rule: ChecksumRule, contents: float) -> float:
    """Chance matches of a sum among all blocks, where discovery has counted a wider one.

    0 for others: discovery's own number holds.
    """
    algorithm = get_algorithm(rule.algorithm)
    if algorithm.sum is None:
        return 0.0
    bits = algorithm.width * contents - _borrowed_bits(assembly, rule, algorithm, contents)
    algorithms = sum(each.width == algorithm.width for each in searched_algorithms())
    readings = algorithms * (1 if algorithm.width == 8 else 2)
    return len(assembly.survey.span) ** 2 / 2 * readings * float(2.0**-bits)


def _borrowed_bits(
    assembly: Assembly, rule: ChecksumRule, algorithm: Algorithm, contents: float
) -> float:
    """What a sum's bytes that are the same in all images do not add to the evidence.

    Such a byte is evidence once, and none at all where it is 00 or FF: it may as well be
    the last one of the block or the first one behind a narrower sum.
    """
    survey = assembly.survey
    if len(rule.stored) == 1 or algorithm.sum is None:
        return 0.0
    if not survey.varies_at_all[survey.slice_of(rule.covers[0])].any():
        return 0.0
    inside = survey.slice_of(rule.stored)
    constant = ~survey.varies_at_all[inside]
    empty = constant & np.isin(survey.all_rows[0, inside], [0x00, 0xFF])
    # Taken back: a constant byte in all contents but one, an empty one in that one too.
    return 8.0 * (int(constant.sum()) * (contents - 1) + int(empty.sum()))


@cache
def _count_readings(algorithm: Algorithm) -> int:
    """Algorithms of that width that are as common or more so, each in both byte orders."""
    common = _is_common(algorithm)
    count = sum(
        each.width == algorithm.width and (_is_common(each) or not common)
        for each in searched_algorithms()
    )
    return count * (1 if algorithm.width == 8 else 2)


def _is_common(algorithm: Algorithm) -> bool:
    return algorithm.name in _COMMON_CRCS if algorithm.sum is None else algorithm.sum.is_common


def _is_in_identity(assembly: Assembly, field: Span) -> bool:
    return any(
        guess.region.kind is RegionKind.VEHICLE_IDENTITY for guess in assembly.regions_over(field)
    )
