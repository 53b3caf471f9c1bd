"""Does the read have the size of a chip, and of the chip that was chosen?"""

from __future__ import annotations

from memtool.core.chip import CHIPS, Chip, chips_of_size
from memtool.core.finding import Finding, Severity
from memtool.core.health.evidence import Evidence

_LARGEST = max(chip.size for chip in CHIPS)
_PUBLISHED_STEP = 128
"""Memories inside a controller come in whole kilobytes; published contents of identification
EEPROMs (displays, memory modules) in blocks of 128. Reads that lost bytes hardly ever do."""


def find_size_faults(evidence: Evidence) -> tuple[Finding, ...]:
    """Short, long or repeated against the chosen chip; without one, which chips fit."""
    if not evidence.size:
        text = "The file defines no byte: the read failed; read the chip again."
        return (evidence.finding("size-empty", Severity.FAILURE, text, ()),)
    if evidence.chip is not None:
        found = _against_chip(evidence, evidence.chip)
    else:
        found = _without_chip(evidence)
    return (*found, *_against_layout(evidence))


def _against_chip(evidence: Evidence, chip: Chip) -> tuple[Finding, ...]:
    size = evidence.size
    if size == chip.size:
        return ()
    said = f"The read has {size:,} bytes and a {chip.title} has {chip.size:,}"
    if size % chip.size == 0 and _repeats(evidence, chip.size):
        text = (
            f"{said}: its content is there {size // chip.size} times, since a larger chip was "
            f"chosen in the reader; read again as {chip.title}."
        )
        return (evidence.finding("size-wrapped", Severity.FAILURE, text),)
    fits = _names(size)
    other = f", or it is another chip of that size ({fits})" if fits else ""
    if size < chip.size:
        text = (
            f"{said}: {chip.size - size:,} are missing. The read was cut short or damaged in "
            f"transfer{other}; look at the marking, read again."
        )
        return (evidence.finding("size-short", Severity.FAILURE, text),)
    text = (
        f"{said}: {size - chip.size:,} are too many. Bytes were added in reading or "
        f"transfer{other}; look at the marking, read again."
    )
    return (evidence.finding("size-long", Severity.FAILURE, text),)


def _repeats(evidence: Evidence, length: int) -> bool:
    """Whether the whole read is its first `length` bytes again and again."""
    return bool((evidence.data[length:] == evidence.data[:-length]).all())


def _names(size: int) -> str:
    return ", ".join(chip.name for chip in chips_of_size(size))


def _without_chip(evidence: Evidence) -> tuple[Finding, ...]:
    size = evidence.size
    fits = _names(size)
    if fits:
        text = f"{size:,} bytes: the size of {fits}."
        return (evidence.finding("size-fits", Severity.INFO, text),)
    if len(evidence.image.segments) > 1 or evidence.layout is not None:
        return ()
    if _is_usual(size) or evidence.in_records:
        text = (
            f"{size:,} bytes: no listed EEPROM has this size; it may be a controller's internal "
            "memory, or part of one."
        )
        return (evidence.finding("size-unknown", Severity.INFO, text),)
    nearest = min(CHIPS, key=lambda chip: abs(chip.size - size))
    off = size - nearest.size
    words = f"{abs(off):,} {'more' if off > 0 else 'fewer'} than {_names(nearest.size)}"
    text = (
        f"{size:,} bytes is not the size of any chip ({words}): bytes were lost or added in "
        "reading or in "
        "transfer; copy the file in binary mode, or read again."
    )
    return (evidence.finding("size-odd", Severity.WARNING, text),)


def _is_usual(size: int) -> bool:
    """Whether memories, or parts of them that people cut out, have this size.

    That is: whole blocks, a power of two, and a power of two plus a half (384, 768).
    """
    power = size & (size - 1) == 0
    and_a_half = size % 3 == 0 and (size // 3) & (size // 3 - 1) == 0
    return power or and_a_half or size % _PUBLISHED_STEP == 0 or size > 16 * _LARGEST


def _against_layout(evidence: Evidence) -> tuple[Finding, ...]:
    layout = evidence.layout
    if layout is None:
        return ()
    extent = evidence.image.extent
    if extent is not None and extent == layout.span:
        return ()
    text = (
        f"The read covers {extent} and layout '{layout.name}' describes {layout.span}: wrong "
        "layout, wrong --base, or a read that was cut."
    )
    return (evidence.finding("size-not-layout", Severity.WARNING, text),)
