"""The module was written and read back, and the read-back is not what was intended: why?

Facts of the data sheets (write-protect and page-write sections; from memory, no source):

* With write protection on, a chip acknowledges and changes nothing.
* The block-protect bits of a 95xxx part guard the upper quarter, the upper half, or all.
* A page write that runs over the end of a page goes on at the start of the same page: its
  later bytes lie over the earlier ones, and the page they were meant for stays as it was.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING

from memtool.core.chip import Chip
from memtool.core.finding import Finding, Severity
from memtool.core.image import Image
from memtool.core.reads.runs import array_of, runs_of_mask
from memtool.core.span import Span, format_span_with_length

if TYPE_CHECKING:
    from memtool.core.reads.runs import Bytes, Mask

_COMMON_PAGES = (8, 16, 32, 64, 128, 256)
"""Write pages in bytes that are tried where the chip is not known."""
_LEAST_FOR_LINE = 3
"""Wrong bytes below which one bit in common is no evidence of one line."""
_FARTHEST_WRAP = 16
"""Pages that one write of a wrongly set writer may run over."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Written:
    """One segment with at least one wrong byte."""

    start: int
    """Address of the first byte of the arrays."""
    old: Bytes | None
    """What it held before; None where that is not known."""
    wanted: Bytes
    got: Bytes
    wrong: Mask
    spans: tuple[Span, ...]
    """Addresses of the wrong bytes."""
    pages: tuple[int, ...]
    """Write pages in bytes that come into question."""

    @property
    def count(self) -> int:
        """How many bytes are wrong."""
        return sum(len(span) for span in self.spans)


def diagnose_write(
    before: Image, intended: Image, read_back: Image, chip: Chip | None = None
) -> tuple[Finding, ...]:
    """Say why `read_back` is not `intended`.

    Args:
        before: What the module held before it was written.
        intended: The file that was written.
        read_back: What was read from the module afterwards.
        chip: Gives the write pages; None where it is not known.

    Returns:
        Empty if the read-back is equal to what was intended. Else one failure for each
        segment that is wrong: the likely cause, and the addresses of all wrong bytes.
    """
    if read_back.spans != intended.spans:
        text = (
            f"{read_back.size:,} bytes were read back and {intended.size:,} were to be written: "
            "read the whole chip again, with the same chip chosen."
        )
        return (_failure("write-other-size", text, read_back.spans),)
    found = []
    for segment in intended.segments:
        old = array_of(before.read(segment.span)) if before.covers(segment.span) else None
        wanted, got = array_of(segment.data), array_of(read_back.read(segment.span))
        wrong = wanted != got
        runs = runs_of_mask(wrong)
        if not runs:
            continue
        written = _Written(
            start=segment.start,
            old=old,
            wanted=wanted,
            got=got,
            wrong=wrong,
            spans=tuple(Span(segment.start + first, segment.start + end) for first, end in runs),
            pages=_COMMON_PAGES if chip is None else chip.pages,
        )
        found.append(_diagnose(written))
    return tuple(found)


def _diagnose(written: _Written) -> Finding:
    for explain in _CAUSES:
        told = explain(written)
        if told is not None:
            return _failure(*told, written.spans)
    first = format_span_with_length(written.spans[0])
    text = (
        f"{written.count:,} bytes are not as intended, the first at {first}, without a pattern: "
        "bad contact in writing or in this read; reseat, read again, then write again."
    )
    return _failure("write-differs", text, written.spans)


def _failure(code: str, text: str, spans: tuple[Span, ...]) -> Finding:
    return Finding(code=code, severity=Severity.FAILURE, text=text, spans=spans)


def _explain_nothing_written(written: _Written) -> tuple[str, str] | None:
    if written.old is None or not bool((written.got == written.old).all()):
        return None
    text = (
        "The module still holds its old content, byte for byte: write protection was on (WP pin, "
        "protect bits) or nothing was sent; release it, write again."
    )
    return "write-protected", text


def _explain_blank(written: _Written) -> tuple[str, str] | None:
    value = int(written.got[0])
    if len(written.got) < 2 or not bool((written.got == value).all()):
        return None
    text = (
        f"The read-back is {value:02X} throughout: no contact in this read, or the chip was "
        "erased and not written; reseat, read again before writing anything."
    )
    return "write-reads-blank", text


def _explain_block_protection(written: _Written) -> tuple[str, str] | None:
    """The upper quarter or half kept all of its old bytes, and only there is anything wrong."""
    if written.old is None:
        return None
    size = len(written.got)
    for part, name in ((4, "quarter"), (2, "half")):
        first = size - size // part
        if first == size or bool(written.wrong[:first].any()):
            continue
        if bool((written.got[first:] == written.old[first:]).all()):
            span = format_span_with_length(Span(written.start + first, written.start + size))
            text = (
                f"The upper {name}, {span}, still holds its old content and the rest is as "
                "intended: block-protect bits are set in the status register; clear them, write "
                "again."
            )
            return "write-block-protected", text
    return None


def _explain_data_line(written: _Written) -> tuple[str, str] | None:
    import numpy as np

    bits = int(np.bitwise_or.reduce(written.wanted ^ written.got))
    levels = np.unique(written.got[written.wrong] & bits)
    if bits & (bits - 1) or written.count < _LEAST_FOR_LINE or len(levels) > 1:
        return None
    text = (
        f"All {written.count:,} wrong bytes differ in bit {bits.bit_length() - 1} alone, read as "
        f"{int(levels[0] > 0)}: that data line or its contact failed in writing or in this read; "
        "check it, read again, then write again."
    )
    return "write-data-line", text


def _explain_page_wrap(written: _Written) -> tuple[str, str] | None:
    """Every wrong byte is old, or was meant for another place of its page or write."""
    for page in written.pages:
        if written.start % page or len(written.got) % page:
            continue
        if _is_from_later_page(written, page) or _is_scrambled_in_pages(written, page):
            pages = int(written.wrong.reshape(-1, page).any(axis=1).sum())
            text = (
                f"{pages} page{'s' if pages > 1 else ''} of {page} bytes hold bytes that were "
                "meant for another place: writes ran over the end of a page and wrapped to its "
                f"start; set the writer to {page}-byte pages, write again."
            )
            return "write-page-wrap", text
    return None


def _is_from_later_page(written: _Written, page: int) -> bool:
    """Whether bytes that are neither old nor right were meant for the same place of one later page.

    A wrapped write keeps each byte's place within the page.
    """
    stray = written.wrong if written.old is None else written.wrong & (written.got != written.old)
    count = int(stray.sum())
    if count < 2:
        return False
    got = written.got[stray]
    places = stray.nonzero()[0]
    if not bool((got != got[0]).any()):
        return False
    for pages_on in range(1, _FARTHEST_WRAP):
        meant = places + pages_on * page
        if int(meant[-1]) >= len(written.wanted):
            break
        if bool((written.wanted[meant] == got).all()):
            return True
    return False


def _is_scrambled_in_pages(written: _Written, page: int) -> bool:
    """Whether every wrong page holds exactly its own bytes in another order."""
    import numpy as np

    wrong = written.wrong.reshape(-1, page).any(axis=1)
    got = np.sort(written.got.reshape(-1, page)[wrong], axis=1)
    wanted = np.sort(written.wanted.reshape(-1, page)[wrong], axis=1)
    return bool((got == wanted).all())


def _explain_partly_taken(written: _Written) -> tuple[str, str] | None:
    if written.old is None:
        return None
    if not bool((written.got[written.wrong] == written.old[written.wrong]).all()):
        return None
    first = format_span_with_length(written.spans[0])
    text = (
        f"{written.count:,} bytes still hold their old content, the first at {first}: writing "
        "stopped early, or the chip was not given time after each write; write again, slower."
    )
    return "write-partly-taken", text


def _explain_shift(written: _Written) -> tuple[str, str] | None:
    size = len(written.got)
    if size < 64:
        return None
    for shift in (1, 2, -1, -2):
        moved = written.got[8 + shift : size - 8 + shift]
        if int((written.wanted[8:-8] != moved).sum()) * 20 <= written.count:
            text = (
                f"The read-back is the intended content moved by {abs(shift)} "
                f"byte{'s' if abs(shift) > 1 else ''}: an address or dummy byte too many or too "
                "few; check the chip chosen, read again, then write again."
            )
            return "write-shifted", text
    return None


_CAUSES: tuple[Callable[[_Written], tuple[str, str] | None], ...] = (
    _explain_nothing_written,
    _explain_blank,
    _explain_block_protection,
    _explain_data_line,
    _explain_page_wrap,
    _explain_partly_taken,
    _explain_shift,
)
"""In this order, the first that explains every wrong byte is told."""
