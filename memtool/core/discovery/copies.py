"""Rows whose equation holds in every image, and which are no checksum all the same.

Facts
-----
- Modules store much twice: a value and its copy, a value and its complement, a counter and
  the counter before it. A sum over the copy alone is that value, and so is a sum over the
  copy and bytes that add nothing. Such a number follows from one value in its block: where
  nothing else in the block differs, or where the value equals it in so many images that
  chance does not explain it.
- A block shorter than its number is hardly one, nor is a single byte: a CRC over it is
  another way to write it.
- Where nothing of a block differs but one value, and the number is that value plus, minus or
  ⊕ a constant, the images only repeat that the two go together: a value and its complement,
  a counter and the next one. Equal bytes that make the constant are never far. A CRC does
  that too, where its register comes round: after 15 bytes with some of 8 bits.
- What lies between two borders has a constant total if it falls into two parts that have
  one each. Then the parts are the facts.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from memtool.core.checksums.algorithms import Algorithm
from memtool.core.checksums.sums import Ending, Sum

_COINCIDENCE = 2.0**-10
"""A value that equals the number in every image with less than this is no accident."""
_FEWEST = 3
"""A total over fewer elements that differ is a value and its complement."""


def is_too_short(start: int, end: int, length: int) -> bool:
    """Whether ``[start, end)`` is no block for a number of `length` bytes."""
    return end - start < max(2, length)


def is_copied(algorithm: Algorithm, blocks: Sequence[bytes], numbers: Sequence[int]) -> bool:
    """Whether the stored numbers are one value inside their blocks, plain or as complement.

    Args:
        algorithm: What makes the number of the block.
        blocks: What is covered, in each image.
        numbers: What is stored, in each image.
    """
    if not blocks[0]:
        return False
    images = np.stack([np.frombuffer(block, np.uint8) for block in blocks]).astype(np.int64)
    one, length = algorithm.sum, algorithm.field_length
    if one is None:
        return False
    plain = np.array([_plain(algorithm.ending, one, number) for number in numbers])
    # Of one image: the bytes that add something at all.
    differs = (images != images[0]).any(axis=0) if len(blocks) > 1 else images[0] != 0
    total = np.concatenate([[0], np.cumsum(differs)])
    # Places that could hold the value, times the chance of one to hold it in every image.
    telling = images.shape[1] * 2.0 ** (-8 * one.element * len(set(numbers)))
    for values in _values(images, length):
        places = np.flatnonzero((values == plain[:, np.newaxis]).all(axis=0))
        # Bytes of one value: numbers of w bytes have w - 1 places fewer than bytes.
        wide = images.shape[1] - values.shape[1] + 1
        # All that differs in the block lies inside the value itself.
        alone = total[places + wide] - total[places] == total[-1]
        if len(places) and (telling < _COINCIDENCE or alone.any()):
            return True
    return False


def is_moved(algorithm: Algorithm, blocks: Sequence[bytes], numbers: Sequence[int]) -> bool:
    """Whether all that differs is one value, and the number is that value and a constant.

    Args: as for `is_copied`.
    """
    images = np.stack([np.frombuffer(block, np.uint8) for block in blocks])
    length = algorithm.field_length
    places = np.flatnonzero((images != images[0]).any(axis=0))
    if not len(places) or places[-1] - places[0] >= length:
        return False
    # A window of the number's length that ends with the last differing byte: it holds them all.
    first = max(0, int(places[-1]) + 1 - length)
    # As signed bits: numbers of 64 bits wrap round, and the mask below takes no notice.
    stored = np.array(numbers, np.uint64).view(np.int64)[:, np.newaxis]
    mask = np.uint64((1 << algorithm.width) - 1).view(np.int64)
    for values in _values(images[:, first : first + length].astype(np.int64), length):
        constants = [values ^ stored]
        if algorithm.sum is not None and not algorithm.sum.cancels:
            constants += [values - stored, values + stored]
        if any(((each & mask) == (each[0] & mask)).all(axis=0).any() for each in constants):
            return True
    return False


def _plain(ending: Ending | None, one: Sum, number: int) -> int:
    mask = (1 << one.width) - 1
    match ending:
        case Ending.ONES:
            return number ^ mask
        case Ending.TWOS | Ending.TOTAL:
            return -number & mask
        case None:
            return number


def _values(images: NDArray[np.int64], longest: int) -> list[NDArray[np.int64]]:
    """The numbers of 1 to `longest` bytes at each offset, high byte first and low byte first."""
    size = images.shape[1]
    found = [images]
    for length in (2, 3, 4, 8):
        if length > min(longest, size):
            break
        pieces = [images[:, place : size - length + place + 1] for place in range(length)]
        for ordered in (pieces, pieces[::-1]):
            total = ordered[0]
            for piece in ordered[1:]:
                total = total << 8 | piece
            found.append(total)
    return found


def is_sum_of_parts(one: Sum, blocks: Sequence[bytes]) -> bool:
    """Whether blocks of constant total fall into parts that have one each, or differ too little.

    Args:
        one: A sum whose number is one element.
        blocks: With the number inside, in each image; not all the same.
    """
    images = np.stack([np.frombuffer(block, np.uint8) for block in blocks])
    varied = np.flatnonzero((images != images[0]).any(axis=0)) // one.element
    places = np.unique(varied)
    if len(places) < _FEWEST:
        return True
    sides = np.stack([one.start_sides(one.prefix(image)) for image in images])
    # Parts that hold something each are cut between the first and the last differing element.
    cuts = np.arange((places[0] + 1) * one.element, places[-1] * one.element + 1, one.element)
    # Zero where the part before the cut adds up to the same in this image as in the first; then the
    # part behind it does too.
    gone = sides[:, cuts] - sides[:1, cuts] if not one.cancels else sides[:, cuts] ^ sides[:1, cuts]
    mask = np.uint64((1 << one.width) - 1)
    return bool(((gone & mask) == 0).all(axis=0).any())
