"""Do texts end as they should in words of 16 or 32 bits?

Swapped words leave most of a text readable. At its end they do not: the padding stands before
the last character instead of behind it.
"""

from __future__ import annotations

from functools import lru_cache
from typing import TYPE_CHECKING

from memtool.core.finding import Finding, Severity
from memtool.core.health.byte_orders import order_advice
from memtool.core.health.evidence import BLANKS, Evidence
from memtool.core.health.readable import padding_table, text_table
from memtool.core.image import Image
from memtool.core.runs import array_of
from memtool.lazy import np

if TYPE_CHECKING:
    from memtool.core.runs import Bytes, Mask

_LEAST_WRONG_ENDS = 2
"""Text ends that are wrong in the read, with hardly any right one."""


def find_swapped_ends(evidence: Evidence) -> tuple[Finding, ...]:
    """Words of 16 or 32 bits whose bytes are in the wrong order at the ends of texts."""
    for width in (2, 4):
        wrong, right = _count_in_all(evidence.image, width)
        if wrong >= _LEAST_WRONG_ENDS and wrong > 4 * right:
            name = f"swapped-{8 * width}"
            text = (
                f"At {wrong} ends of texts the padding comes before the last character: the "
                f"bytes of each {8 * width}-bit word are swapped. {order_advice(name)}"
            )
            return (evidence.finding(f"order-{name}", Severity.WARNING, text),)
    return ()


def have_right_ends(evidence: Evidence) -> bool:
    """Whether swapped words of either width would show at the ends of this read's texts."""
    return all(_count_in_all(evidence.image, width)[1] >= _LEAST_WRONG_ENDS for width in (2, 4))


# Several checks ask for them, of a read that is judged several times.
@lru_cache(maxsize=8)
def _count_in_all(image: Image, width: int) -> tuple[int, int]:
    wrong, right = 0, 0
    for segment in image.segments:
        ends = _count_text_ends(array_of(segment.data), width)
        wrong, right = wrong + ends[0], right + ends[1]
    return wrong, right


def _count_text_ends(data: Bytes, width: int) -> tuple[int, int]:
    """(wrong, right) words that hold the end of a text beside padding of 00 or FF.

    Two words of text are asked for before, and a word of the same padding behind. Starts of
    texts are not asked: numbers before a text look like them.
    """
    data = data[: len(data) // width * width]
    if len(data) < 4 * width:
        return 0, 0
    text = (text_table() & ~padding_table())[data]
    whole = _in_words(text, width, 0, width)
    wrong = right = 0
    for value in BLANKS:
        blank = data == value
        # Words 1 and 2 are text, word 4 is padding; word 3, which has both, is asked below.
        ending = whole[:-3] & whole[1:-2] & _in_words(blank, width, 0, width)[3:]
        third = np.flatnonzero(ending) + 2
        texts, blanks = text.reshape(-1, width)[third], blank.reshape(-1, width)[third]
        for count in range(1, width):
            # Wrong: padding first, the text's last characters behind it. `head` is the right way
            # round.
            rest = width - count
            tail = blanks[:, :rest].all(axis=1) & texts[:, rest:].all(axis=1)
            head = texts[:, :count].all(axis=1) & blanks[:, count:].all(axis=1)
            wrong += int(tail.sum())
            right += int(head.sum())
    return wrong, right


def _in_words(mask: Mask, width: int, first: int, end: int) -> Mask:
    """For each word whether its bytes from `first` to before `end` are all true."""
    found = mask[first::width]
    for inside in range(first + 1, end):
        found = found & mask[inside::width]
    return found
