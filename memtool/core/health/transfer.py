"""Was the file damaged after the read, by a program that took it for text?

What such programs do, and what is left of it:

* LF becomes CR LF: no LF without CR before it, and the file grows by their number.
* CR LF becomes LF, or CR is dropped: no CR LF (no CR) is left, and the file shrinks.
* Bytes over 7F become ``?``, the three bytes EF BF BD (the replacement character U+FFFD in
  UTF-8), or two-byte sequences (Latin-1 written as UTF-8).
* The file ends at the first 1A, the end mark of old text files; or is filled up with 1A.
* Hexadecimal digits as text, saved under the name of an image.
"""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

from memtool.core.chip import chips_of_size
from memtool.core.finding import Finding, Severity
from memtool.core.health.evidence import Evidence
from memtool.core.runs import runs_of_mask, spans_of_mask
from memtool.core.span import Span
from memtool.lazy import np

if TYPE_CHECKING:
    from memtool.core.runs import Mask

_AGAIN = "take the file again in binary mode"
_LF, _CR, _END = 0x0A, 0x0D, 0x1A
_LEAST_LINES = 3
"""Line ends from which on a rule without exception is no chance (1/256 each)."""
_LEAST_SEQUENCES = 4
"""Sequences of UTF-8 from which on they are no chance."""
_SHORTEST_HEX_TEXT = 64
_HEX_TEXT = re.compile(rb"[0-9A-Fa-f:sS \t\r\nx,]+")


def find_transfer_damage(evidence: Evidence) -> tuple[Finding, ...]:
    """The first kind of damage that explains the read; hardly two come together."""
    # Hex text first: it has line ends, too, and no byte over 7F.
    for check in (
        _hex_text,
        _replacement_characters,
        _two_byte_sequences,
        _question_marks,
        _lines_grown,
        _lines_shrunk,
        _end_mark,
    ):
        found = check(evidence)
        if found:
            return found
    return ()


def _fits(size: int) -> bool:
    """Whether a memory has this size: a chip of the table, or whole kilobytes."""
    return bool(chips_of_size(size)) or (size > 0 and size % 1024 == 0)


def _wanted_sizes(evidence: Evidence) -> tuple[int, ...]:
    """Sizes that are known to be right; none where neither chip nor layout is known."""
    sizes = []
    if evidence.chip is not None:
        sizes.append(evidence.chip.size)
    if evidence.layout is not None:
        sizes.append(evidence.layout.size)
    return tuple(sizes)


def _is_size(evidence: Evidence, size: int) -> bool:
    wanted = _wanted_sizes(evidence)
    return size in wanted if wanted else _fits(size)


def _hex_text(evidence: Evidence) -> tuple[Finding, ...]:
    if evidence.size < _SHORTEST_HEX_TEXT:
        return ()
    data = evidence.data.tobytes()
    if not _HEX_TEXT.fullmatch(data):
        return ()
    digits = sum(int(evidence.counts[value]) for value in b"0123456789ABCDEFabcdef")
    lines = int(evidence.counts[_LF]) + int(evidence.counts[_CR])
    if 2 * digits < evidence.size or not lines:
        return ()
    text = (
        "The file is hexadecimal text, not the bytes themselves: give it with --format intel-hex "
        "or s-record if it is one, or save the read as binary."
    )
    return (evidence.finding("transfer-hex-text", Severity.FAILURE, text),)


def _replacement_characters(evidence: Evidence) -> tuple[Finding, ...]:
    counts = evidence.counts
    # Counts are at hand and rule most reads out without a pass over the bytes.
    if min(int(counts[value]) for value in (0xEF, 0xBF, 0xBD)) < _LEAST_SEQUENCES:
        return ()
    data = evidence.data
    first = (data[:-2] == 0xEF) & (data[1:-1] == 0xBF) & (data[2:] == 0xBD)
    sequences = int(first.sum())
    high = int(counts[0x80:].sum())
    # Each sequence is three bytes over 7F, and hardly any others may be left.
    if sequences < _LEAST_SEQUENCES or 3 * sequences < 0.8 * high:
        return ()
    text = (
        f"{sequences:,} bytes above 7F were replaced by EF BF BD: the file went through a program "
        f"that took it for UTF-8 text. Those bytes are lost: {_AGAIN}."
    )
    spans = _runs(evidence, first, 3)
    return (evidence.finding("transfer-replaced", Severity.FAILURE, text, spans),)


def _two_byte_sequences(evidence: Evidence) -> tuple[Finding, ...]:
    """Latin-1 written as UTF-8: every byte over 7F belongs to C2 80..BF or C3 80..BF."""
    counts = evidence.counts
    lead = int(counts[0xC2]) + int(counts[0xC3])
    continuing = int(counts[0x80:0xC0].sum())
    # As many leads as followers, and nothing from C4 up: else it was not all converted.
    if lead < _LEAST_SEQUENCES or lead != continuing or int(counts[0xC4:].sum()):
        return ()
    if int(counts[0xC0:0xC2].sum()):
        return ()
    data = evidence.data
    leads = (data[:-1] == 0xC2) | (data[:-1] == 0xC3)
    pairs = leads & ((data[1:] & 0xC0) == 0x80)
    # Accented text is C3 80..BF alone; control codes and the fill FF are no text.
    odd = (data[:-1] == 0xC2) & (data[1:] < 0xA0) | (data[:-1] == 0xC3) & (data[1:] == 0xBF)
    if int(pairs.sum()) != lead or int((odd & pairs).sum()) < 2:
        return ()
    text = (
        f"Each of {lead:,} bytes above 7F has become two (C2 or C3 and one more): the file was "
        f"converted from Latin-1 to UTF-8 text; {_AGAIN}."
    )
    return (
        evidence.finding("transfer-two-bytes", Severity.FAILURE, text, _runs(evidence, pairs, 2)),
    )


def _question_marks(evidence: Evidence) -> tuple[Finding, ...]:
    counts = evidence.counts
    marks = int(counts[0x3F])
    if marks < 8 or int(counts[0x80:].sum()):
        return ()
    others = evidence.size - marks - int(counts[0])
    if 4 * marks < others and not runs_of_mask(evidence.data == 0x3F, least=16):
        return ()
    text = (
        f"No byte is above 7F and {marks:,} are 3F ('?'): a text program replaced what it could "
        f"not show. Those bytes are lost: {_AGAIN}."
    )
    spans = spans_of_mask(evidence.data == 0x3F, evidence.image)
    return (evidence.finding("transfer-question-marks", Severity.FAILURE, text, spans),)


def _lines_grown(evidence: Evidence) -> tuple[Finding, ...]:
    lines = int(evidence.counts[_LF])
    if lines < _LEAST_LINES or int(evidence.counts[_CR]) < lines:
        return ()
    data = evidence.data
    ends = (data[1:] == _LF) & (data[:-1] == _CR)
    if int(ends.sum()) != lines:
        return ()
    size = evidence.size
    grown = _is_size(evidence, size - lines) and not _is_size(evidence, size)
    if not grown and (lines < 2 * _LEAST_LINES or _is_text_around(evidence, ends)):
        return ()
    text = (
        f"Each of {lines:,} bytes 0A has a 0D before it: a text-mode transfer added it and "
        f"shifted everything after it; {_AGAIN}."
    )
    spans = _runs(evidence, ends, 2)
    return (evidence.finding("transfer-lf-to-crlf", Severity.FAILURE, text, spans),)


def _is_text_around(evidence: Evidence, ends: Mask) -> bool:
    """Whether most line ends stand behind printable characters, as in real text."""
    data = evidence.data
    places = ends.nonzero()[0]
    before = data[places[places > 0] - 1]
    printable = ((before >= 0x20) & (before < 0x7F)) | (before == _LF)
    # `before` is the byte in front of the CR.
    return int(printable.sum()) * 2 >= len(before)


def _lines_shrunk(evidence: Evidence) -> tuple[Finding, ...]:
    """CR dropped: some bytes short, and no CR where about as many are expected."""
    missing = _missing(evidence)
    if missing is None or evidence.counts[_CR]:
        return ()
    expected = _expected(evidence, _CR)
    if expected < 3 or not expected / 3 <= missing <= 3 * expected + 8:
        return ()
    text = (
        f"{missing:,} bytes are missing and there is no 0D among the rest, where about "
        f"{expected:.0f} were to be expected: a text-mode transfer dropped them; {_AGAIN}."
    )
    return (evidence.finding("transfer-cr-dropped", Severity.FAILURE, text),)


def _missing(evidence: Evidence) -> int | None:
    """How many bytes short of the wanted size, or of the next power of two; None if none."""
    wanted = _wanted_sizes(evidence)
    if evidence.in_records and not wanted:
        return None
    # The next power of two at or above the size.
    target = wanted[0] if wanted else 1 << (evidence.size - 1).bit_length()
    missing = target - evidence.size
    if missing <= 0 or (not wanted and _fits(evidence.size)):
        return None
    return missing


def _expected(evidence: Evidence, value: int) -> float:
    """How often `value` is to be expected, from the values around it."""
    around = [value + step for step in (-4, -3, -2, -1, 1, 2, 3, 4)]
    counted = sorted(int(evidence.counts[near]) for near in around if near not in (_LF, _CR))
    # The lower quartile: one neighbour that is common for a reason of its own does not raise it.
    return float(counted[len(counted) // 4])


def _end_mark(evidence: Evidence) -> tuple[Finding, ...]:
    missing = _missing(evidence)
    if missing is None:
        return ()
    data = evidence.data
    # Backwards through the last 129 bytes: a block of 128 cannot be filled up by more.
    tail = next((i for i, byte in enumerate(data[:-130:-1]) if byte != _END), 0)
    if tail >= 2 and evidence.size % 128 == 0:
        text = (
            f"The file ends in {tail} bytes 1A and has no chip's size: a transfer in blocks of 128 "
            f"filled it up; {_AGAIN}, or cut it with convert --span if the rest is whole."
        )
        start = evidence.image.spans[-1].end - tail
        span = (Span(start, start + tail),)
        return (evidence.finding("transfer-padded", Severity.WARNING, text, span),)
    expected = _expected(evidence, _END)
    if evidence.counts[_END] or expected < 3:
        return ()
    text = (
        f"The read is {missing:,} bytes short and holds no 1A, where about {expected:.0f} were to "
        f"be expected: a text-mode transfer ends at the first 1A; {_AGAIN}."
    )
    return (evidence.finding("transfer-cut-at-1a", Severity.FAILURE, text),)


def _runs(evidence: Evidence, first: Mask, length: int) -> tuple[Span, ...]:
    """Spans of the sequences of `length` bytes that begin at the true places."""
    mask = np.zeros(evidence.size, dtype=bool)
    for index in range(length):
        mask[index : index + len(first)] |= first
    return spans_of_mask(mask, evidence.image)
