"""What a write or a read-back that went wrong makes of the file, one function a cause.

Each says whether its cause explains what was read back, as a code and a sentence. Facts of the
data sheets (write-protect and page-write sections; from memory, no source):

* With write protection on, a chip acknowledges and changes nothing.
* The block-protect bits of a 95xxx part guard the upper quarter, the upper half, or all.
* A page write that runs over the end of a page goes on at the start of the same page: its
  later bytes lie over the earlier ones, and the page they were meant for stays as it was.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from memtool.core.health.byte_orders import ORDERS, reordered
from memtool.core.span import Span, format_span_with_length
from memtool.lazy import np

if TYPE_CHECKING:
    from memtool.core.runs import Bytes, Mask

Cause = tuple[str, str]
"""Code and sentence."""
_LEAST_FOR_LINE = 3
"""Wrong bytes below which one bit in common is no evidence of one line."""
_FARTHEST_WRAP = 16
"""Pages that one write of a wrongly set writer may run over."""
_LEAST_OF_FILE = 16
"""Bytes of another file that must be there; fewer are equal by accident."""
_WINDOW = 12
"""Bytes that are looked for elsewhere to tell a shift."""
_WINDOWS = 24
"""Windows that are tried, all over the image."""
_LEAST_VALUES = 4
"""Different values that a window must have: fill and stripes lie everywhere."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Written:
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
    others: tuple[tuple[str, Bytes], ...]
    """What else may have been written by mistake, with what people call it."""
    pages: tuple[int, ...]
    """Write pages in bytes that come into question."""

    @property
    def count(self) -> int:
        """How many bytes are wrong."""
        return sum(len(span) for span in self.spans)


def explain_nothing_written(written: Written) -> Cause | None:
    if written.old is None or not bool((written.got == written.old).all()):
        return None
    text = (
        "The module still holds its old content, byte for byte: write protection was on (WP pin, "
        "protect bits) or nothing was sent; release it, write again."
    )
    return "write-protected", text


def explain_blank(written: Written) -> Cause | None:
    value = int(written.got[0])
    if len(written.got) < 2 or not bool((written.got == value).all()):
        return None
    text = (
        f"The module reads {value:02X} throughout: no contact in this read, or the chip was "
        "erased and not written; reseat, read again before writing anything."
    )
    return "write-reads-blank", text


def explain_block_protection(written: Written) -> Cause | None:
    """The upper quarter or half kept all of its old bytes, and only there is anything wrong."""
    if written.old is None:
        return None
    size = len(written.got)
    for part, name in ((4, "quarter"), (2, "half")):
        # A wrong byte below it, and it was not this part alone.
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


def explain_data_line(written: Written) -> Cause | None:
    bits = int(np.bitwise_or.reduce(written.wanted ^ written.got))
    levels = np.unique(written.got[written.wrong] & bits)
    # More than one bit, too few bytes, or read as 0 here and as 1 there.
    if bits & (bits - 1) or written.count < _LEAST_FOR_LINE or len(levels) > 1:
        return None
    text = (
        f"All {written.count:,} wrong bytes differ in bit {bits.bit_length() - 1} alone, read as "
        f"{int(levels[0] > 0)}: that data line or its contact failed while writing or reading; "
        "check it, read again, then write again."
    )
    return "write-data-line", text


def explain_page_wrap(written: Written) -> Cause | None:
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


def _is_from_later_page(written: Written, page: int) -> bool:
    """Whether bytes that are neither old nor right were meant for the same place of one later page.

    A wrapped write keeps each byte's place within the page.
    """
    # What kept its old byte was the place the wrapped write left out.
    stray = written.wrong if written.old is None else written.wrong & (written.got != written.old)
    count = int(stray.sum())
    if count < 2:
        return False
    got = written.got[stray]
    places = stray.nonzero()[0]
    # One value throughout lies on many pages and proves nothing.
    if not bool((got != got[0]).any()):
        return False
    for pages_on in range(1, _FARTHEST_WRAP):
        # Ascending, so that the last one tells whether all are inside.
        meant = places + pages_on * page
        if int(meant[-1]) >= len(written.wanted):
            break
        if bool((written.wanted[meant] == got).all()):
            return True
    return False


def _is_scrambled_in_pages(written: Written, page: int) -> bool:
    """Whether every wrong page holds exactly its own bytes in another order."""
    wrong = written.wrong.reshape(-1, page).any(axis=1)
    got = np.sort(written.got.reshape(-1, page)[wrong], axis=1)
    wanted = np.sort(written.wanted.reshape(-1, page)[wrong], axis=1)
    return bool((got == wanted).all())


def explain_partly_taken(written: Written) -> Cause | None:
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


def explain_other_file(written: Written) -> Cause | None:
    """The content of another file that was at hand, from the first byte on."""
    for name, other in written.others:
        common = min(len(other), len(written.got))
        held = written.got[:common]
        if common < _LEAST_OF_FILE or not bool((held == other[:common]).all()):
            continue
        # It must be the other file that is there, not what both files hold alike.
        if not bool(written.wrong[:common].any()) or len(set(held.tobytes())) < _LEAST_VALUES:
            continue
        text = (
            f"The module holds {name}, byte for byte, not the file: the wrong file was chosen in "
            "the writer; write the right one, read again."
        )
        return "write-other-file", text
    return None


def explain_order(written: Written) -> Cause | None:
    for name, words in ORDERS:
        seen = reordered(written.wanted, name)
        if seen is not None and bool((seen == written.got).all()):
            text = (
                f"The module reads as the file with {words}: use the same byte order for writing"
                " and reading, and read again before writing anything."
                " If another reader made this read, give its byte order with --reader-order."
            )
            return "write-order", text
    return None


def explain_shift(written: Written) -> Cause | None:
    """The file, moved by a constant number of bytes."""
    for shift in _find_shifts(written):
        early, late = max(0, -shift), max(0, shift)
        common = len(written.got) - abs(shift)
        wanted = written.wanted[early : early + common]
        apart = wanted != written.got[late : late + common]
        changed = int(written.wrong[late : late + common].sum())
        # Moved back, nineteen in twenty of the wrong bytes must be right.
        if not changed or 20 * int(apart.sum()) > changed:
            continue
        number = abs(shift)
        page = next((page for page in reversed(written.pages) if number % page == 0), None)
        pages = f", {number // page} page{'s' if number > page else ''} of {page}" if page else ""
        way = "up" if shift > 0 else "down"
        text = (
            f"The module reads as the intended content moved {way} by {number:,} "
            f"byte{'s' if number > 1 else ''}{pages}: an address or dummy byte too many or too "
            "few, or another start address; check chip and start, read again, then write again."
        )
        return "write-shifted", text
    return None


def _find_shifts(written: Written) -> list[int]:
    """By how far windows of the file lie elsewhere in the read-back, the commonest first.

    The smallest distance counts of several that are as common: what repeats fits at many.
    """
    wanted, got = written.wanted.tobytes(), written.got.tobytes()
    votes: dict[int, int] = {}
    # Windows around wrong bytes tell most: there the file is not where it should be.
    wrong = np.flatnonzero(written.wrong)
    for start in wrong[:: max(1, len(wrong) // _WINDOWS)].tolist():
        start = min(start, len(wanted) - _WINDOW)
        window = wanted[max(0, start) : max(0, start) + _WINDOW]
        if start < 0 or len(set(window)) < _LEAST_VALUES:
            continue
        place = got.find(window)
        for _ in range(8):
            if place < 0:
                break
            if place != start:
                # What repeats is found at several places: each gets a vote, and the true distance
                # gets one from every window.
                votes[place - start] = votes.get(place - start, 0) + 1
            place = got.find(window, place + 1)
    return sorted(votes, key=lambda shift: (-votes[shift], abs(shift)))[:8]
