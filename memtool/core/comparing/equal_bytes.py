"""How many bytes are equal in a row at two places: for one pair in bytes, for many in arrays."""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal

from memtool.lazy import np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from memtool.core.runs import Bytes

    Numbers = NDArray[np.int64]
    Words = NDArray[np.uint64]


def equal_after(one: bytes, two: bytes, in_one: int, in_two: int, most: int) -> int:
    """How many bytes are equal from two places on, `most` at most; compared in steps that grow."""
    done, step = 0, 32
    while done < most:
        size = min(step, most - done)
        left = one[in_one + done : in_one + done + size]
        right = two[in_two + done : in_two + done + size]
        if left != right:
            return done + _equal_low_bytes(left, right, "little")
        done, step = done + size, step * 4
    return done


def equal_before(one: bytes, two: bytes, in_one: int, in_two: int, most: int) -> int:
    """The same back from two places, which are not compared themselves."""
    done, step = 0, 32
    while done < most:
        size = min(step, most - done)
        left = one[in_one - done - size : in_one - done]
        right = two[in_two - done - size : in_two - done]
        if left != right:
            return done + _equal_low_bytes(left, right, "big")
        done, step = done + size, step * 4
    return done


def _equal_low_bytes(one: bytes, two: bytes, order: Literal["little", "big"]) -> int:
    """How many of the low bytes of two unlike numbers are equal."""
    unlike = int.from_bytes(one, order) ^ int.from_bytes(two, order)
    # The lowest bit that is set, alone.
    return ((unlike & -unlike).bit_length() - 1) // 8


def eight_at_each(content: bytes | Bytes) -> Words:
    """The eight bytes from each place on, the first one lowest; nothing is copied."""
    return np.ndarray((len(content) - 7,), "<u8", content, strides=(1,))


def count_equal(
    a: Words, b: Words, in_a: Numbers, in_b: Numbers, *, most: int, back: bool = False
) -> Numbers:
    """How many bytes are equal in a row at each pair of places, `most` at most.

    Args:
        a: The eight bytes at every place of the first data.
        b: The same of the second data.
        in_a: Places in the first data.
        in_b: Places in the second data, one each.
        most: Bytes that are compared, a multiple of eight.
        back: The bytes before the places count, from there back.
    """
    counts: Numbers = np.zeros(len(in_a), np.int64)
    going, one, two = np.arange(len(in_a)), in_a, in_b
    for _ in range(most // 8):
        if not len(going):
            break
        unlike = _eight_at(a, one, back=back) ^ _eight_at(b, two, back=back)
        # The bits below the lowest that is set; all where none is.
        same = np.bitwise_count((unlike & -unlike) - np.uint64(1)) >> 3
        room = np.minimum(one, two) if back else np.minimum(len(a) - one, len(b) - two) + 7
        equal = np.minimum(same, room)
        counts[going] += equal
        whole = np.flatnonzero(equal == 8)
        step = -8 if back else 8
        going, one, two = going[whole], one[whole] + step, two[whole] + step
    return counts


def _eight_at(words: Words, places: Numbers, *, back: bool) -> Words:
    """The eight bytes from each place on, or back from it, the nearest one lowest.

    Where there are fewer the others are 0.
    """
    firsts = places - 8 if back else places
    if int(firsts.min()) >= 0 and int(firsts.max()) < len(words):
        eight = words[firsts]
        return eight.byteswap() if back else eight
    if back:
        firsts = np.maximum(firsts, 0)
        return (words[firsts] << (8 * (firsts + 8 - places)).astype(np.uint64)).byteswap()
    firsts = np.minimum(places, len(words) - 1)
    return words[firsts] >> (8 * (places - firsts)).astype(np.uint64)
