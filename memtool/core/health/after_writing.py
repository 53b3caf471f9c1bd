"""The module was written and read back, and the read-back is not what was intended: why?

Every cause of `write_causes` that explains all wrong bytes is told: where two fit, the bytes
cannot tell which, and a person must look at both. Two causes say little by themselves and are
told only where nothing else fits: single bytes kept their old content, or no pattern at all.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from memtool.core.chip import Chip
from memtool.core.finding import Finding, Severity
from memtool.core.health.write_causes import (
    Cause,
    Written,
    explain_blank,
    explain_block_protection,
    explain_data_line,
    explain_nothing_written,
    explain_order,
    explain_other_file,
    explain_page_wrap,
    explain_partly_taken,
    explain_shift,
)
from memtool.core.image import Image
from memtool.core.runs import array_of, defined_bytes, runs_of_mask
from memtool.core.span import Span, format_span_with_length

_COMMON_PAGES = (8, 16, 32, 64, 128, 256)
"""Write pages in bytes that are tried where the chip is not known."""


def diagnose_write(
    before: Image,
    intended: Image,
    read_back: Image,
    chip: Chip | None = None,
    others: Sequence[tuple[str, Image]] = (),
) -> tuple[Finding, ...]:
    """Say why `read_back` is not `intended`.

    Args:
        before: What the module held before it was written.
        intended: The file that was written.
        read_back: What was read from the module afterwards.
        chip: Gives the write pages; None where it is not known.
        others: Images that may have been written by mistake, each with what people call it:
            ``the original's image``.

    Returns:
        Empty if the read-back is equal to what was intended. Else one failure or more for
        each segment that is wrong: the likely causes, and the addresses of all wrong bytes.
    """
    if read_back.spans != intended.spans:
        text = (
            f"{read_back.size:,} bytes were read back, but {intended.size:,} were to be written: "
            "read the whole chip again, with the same chip chosen."
        )
        return (_failure("write-other-size", text, read_back.spans),)
    known = tuple((name, defined_bytes(image)) for name, image in others if image.size)
    found = []
    for segment in intended.segments:
        old = array_of(before.read(segment.span)) if before.covers(segment.span) else None
        wanted, got = array_of(segment.data), array_of(read_back.read(segment.span))
        wrong = wanted != got
        runs = runs_of_mask(wrong)
        if not runs:
            continue
        written = Written(
            start=segment.start,
            old=old,
            wanted=wanted,
            got=got,
            wrong=wrong,
            spans=tuple(Span(segment.start + first, segment.start + end) for first, end in runs),
            others=known,
            pages=_COMMON_PAGES if chip is None or not chip.pages else chip.pages,
        )
        found += [_failure(*cause, written.spans) for cause in _diagnose(written, chip)]
    return tuple(found)


def _diagnose(written: Written, chip: Chip | None) -> tuple[Cause, ...]:
    found = tuple(_find_causes(written, wraps=chip is None or bool(chip.pages)))
    if found:
        return found
    partly = explain_partly_taken(written)
    if partly is not None:
        return (partly,)
    first = format_span_with_length(written.spans[0])
    text = (
        f"{written.count:,} bytes are not as intended, the first at {first}, without a pattern: "
        "bad contact while writing or reading; reseat, read again, then write again."
    )
    return (("write-differs", text),)


def _find_causes(written: Written, *, wraps: bool) -> Iterator[Cause]:
    whole = [
        explain(written) for explain in (explain_nothing_written, explain_blank, explain_other_file)
    ]
    yield from filter(None, whole)
    protected = explain_block_protection(written)
    if protected is not None:
        yield protected
    if any(whole):
        return
    moved = [explain_order(written), explain_shift(written)]
    yield from filter(None, moved)
    line = explain_data_line(written)
    if line is not None:
        yield line
    # Swapped words stay in their page, and a page's shift lies in a later page: both would
    # pass for writes that ran over the end of a page.
    if wraps and protected is None and line is None and not any(moved):
        wrapped = explain_page_wrap(written)
        if wrapped is not None:
            yield wrapped


def _failure(code: str, text: str, spans: tuple[Span, ...]) -> Finding:
    return Finding(code=code, severity=Severity.FAILURE, text=text, spans=spans)
