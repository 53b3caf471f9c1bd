"""Is there any content at all, or did the reader see an idle bus?"""

from __future__ import annotations

from memtool.core.finding import Finding, Severity
from memtool.core.health.evidence import Evidence

LONGEST_PATTERN = 32
"""Bytes of the longest pattern that is looked for."""
_LEAST_REPEATS = 8
"""A pattern must be there so often to be one."""


def find_idle_bus(evidence: Evidence) -> tuple[Finding, ...]:
    """All FF, all 00, one byte, a short pattern, or a counting test pattern."""
    if evidence.size < 2:
        return ()
    first = int(evidence.data[0])
    if int(evidence.counts[first]) == evidence.size:
        return (_constant(evidence, first),)
    return _pattern(evidence) or _counting(evidence)


def _constant(evidence: Evidence, value: int) -> Finding:
    if value == 0xFF:
        text = (
            "Every byte is FF: no contact (the idle line reads as 1), no supply, or an empty chip; "
            "clean the pins, reseat the clip, check supply and chip choice, read again."
        )
        return evidence.finding("all-ff", Severity.FAILURE, text)
    if value == 0x00:
        text = (
            "Every byte is 00: the data line is held low (short, no supply, module holding it), or "
            "a cleared chip; check supply and clip, read again."
        )
        return evidence.finding("all-00", Severity.FAILURE, text)
    text = (
        f"Every byte is {value:02X}: the chip does not answer and the reader samples an idle bus; "
        "check wiring, chip choice and supply, read again."
    )
    return evidence.finding("one-byte", Severity.FAILURE, text)


def _pattern(evidence: Evidence) -> tuple[Finding, ...]:
    data = evidence.data
    for period in range(2, min(LONGEST_PATTERN, evidence.size // _LEAST_REPEATS) + 1):
        # The head rules out nearly every period without a pass over the whole image.
        head = data[: 64 + period]
        if (head[period:] == head[:-period]).all() and (data[period:] == data[:-period]).all():
            shown = data[:period].tobytes()[:8].hex(" ").upper() + (" ..." if period > 8 else "")
            text = (
                f"The {period} bytes {shown} repeat throughout: an idle or oscillating bus, not "
                "content; check wiring, chip choice and supply, read again."
            )
            return (evidence.finding("short-pattern", Severity.FAILURE, text),)
    return ()


def _counting(evidence: Evidence) -> tuple[Finding, ...]:
    if evidence.size < 64:
        return ()
    # Bytes wrap round at 256, and so do the differences.
    steps = evidence.data[1:] - evidence.data[:-1]
    if not bool((steps == steps[0]).all()):
        return ()
    text = (
        "The bytes count up evenly: a test pattern of the reader or of a file, not the content of "
        "a module; read the chip again."
    )
    return (evidence.finding("counting-pattern", Severity.FAILURE, text),)
