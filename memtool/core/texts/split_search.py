"""A known text that lies in pieces: cut at a page or bank, foreign bytes between.

Texts of nine characters or more are looked for in two or three pieces, shorter ones in two;
pieces have at least two characters, of texts from twelve on at least one. Only known texts
can be found so: seventeen characters of an unknown VIN in three pieces are hopeless, chance
gives thousands of them in any image.
"""

from __future__ import annotations

from collections.abc import Iterator
from itertools import combinations

from memtool.core.image import Image
from memtool.core.texts.trace import Trace, make_trace

MOST_FOREIGN = 16
"""Foreign bytes between two pieces, at most."""
_MOST_HITS = 200
_THREE_PIECES_FROM = 9
_ONE_CHARACTER_FROM = 12

Piece = tuple[int, int]
"""(offset in the segment, length)."""


def find_split(text: bytes, image: Image) -> Iterator[Trace]:
    """Every place where `text` lies in pieces; of readings of the same end the shortest.

    Args:
        text: At least four characters.
    """
    for segment in image.segments:
        if len(text) < _THREE_PIECES_FROM:
            found = _find_two(text, segment.data)
        else:
            found = _find_by_seeds(text, segment.data)
        best: dict[int, tuple[Piece, ...]] = {}
        for pieces in found:
            end = pieces[-1][0] + pieces[-1][1]
            # The later it begins, the shorter it is.
            if end not in best or pieces[0][0] > best[end][0][0]:
                best[end] = pieces
        for pieces in best.values():
            yield make_trace(
                (segment.start + offset + index, 0xFF)
                for offset, length in pieces
                for index in range(length)
            )


def count_ways(length: int) -> int:
    """In how many ways a text of `length` characters may be cut and spaced."""
    shortest = 1 if length >= _ONE_CHARACTER_FROM else 2
    two = sum(1 for cut in range(shortest, length - shortest + 1))
    if length < _THREE_PIECES_FROM:
        return two * MOST_FOREIGN
    three = sum(
        1
        for first, second in combinations(range(shortest, length - shortest + 1), 2)
        if second - first >= shortest
    )
    return two * MOST_FOREIGN + three * MOST_FOREIGN**2


def _find_two(text: bytes, data: bytes) -> Iterator[tuple[Piece, ...]]:
    """In two pieces: the longer one is looked for, then the other one near it."""
    for cut in range(2, len(text) - 1):
        front, tail = text[:cut], text[cut:]
        # The best seed last: one of several characters, then the longer one.
        seeds = sorted((front, tail), key=lambda piece: (len(set(piece)) > 1, len(piece)))
        if len(set(seeds[-1])) == 1:
            continue
        # `is`: both pieces may hold the same characters.
        first, found, place = seeds[-1] is front, 0, -1
        while found < _MOST_HITS:
            place = data.find(seeds[-1], place + 1)
            if place < 0:
                break
            other = _after(tail, data, place + cut) if first else _before(front, data, place)
            if other < 0:
                continue
            found += 1
            start, behind = (place, other) if first else (other, place)
            yield (start, cut), (behind, len(tail))


def _after(piece: bytes, data: bytes, end: int) -> int:
    """Where `piece` begins next behind `end`, with foreign bytes between; -1: nowhere near."""
    return data.find(piece, end + 1, end + MOST_FOREIGN + len(piece))


def _before(piece: bytes, data: bytes, start: int) -> int:
    """Where `piece` begins that ends next before `start`; -1: nowhere near."""
    return data.rfind(piece, max(0, start - MOST_FOREIGN - len(piece)), max(0, start - 1))


def _find_by_seeds(text: bytes, data: bytes) -> Iterator[tuple[Piece, ...]]:
    """In two or three pieces: one of them holds at least a third of the text in one run."""
    # A third, rounded up: of three pieces the longest has at least so many.
    size = -(-len(text) // 3)
    done: set[tuple[int, int, int]] = set()
    for first in range(len(text) - size + 1):
        seed = text[first : first + size]
        if len(set(seed)) == 1:
            continue
        place = -1
        for _ in range(_MOST_HITS):
            place = data.find(seed, place + 1)
            if place < 0:
                break
            run = _extend(text, data, first, place, size)
            # Every seed inside one run leads to that run.
            if run in done:
                continue
            done.add(run)
            yield from _readings(text, data, run)


def _extend(text: bytes, data: bytes, first: int, place: int, size: int) -> tuple[int, int, int]:
    """(first, end, origin): the text's part that lies in one run here, as long as it goes.

    Character i of the text lies at ``origin + i``.
    """
    origin, end = place - first, first + size
    while first > 0 and origin + first > 0 and data[origin + first - 1] == text[first - 1]:
        first -= 1
    while end < len(text) and origin + end < len(data) and data[origin + end] == text[end]:
        end += 1
    return first, end, origin


def _readings(text: bytes, data: bytes, run: tuple[int, int, int]) -> Iterator[tuple[Piece, ...]]:
    """The readings in which the run is one piece, or the better part of one."""
    first, end, origin = run
    size, shortest = len(text), 1 if len(text) >= _ONE_CHARACTER_FROM else 2
    if end - first == size:
        return
    if first == 0:
        # A foreign byte may equal the next character by accident, so the piece may end up to three
        # earlier.
        for cut in range(end, max(shortest, end - 3) - 1, -1):
            head = (origin, cut)
            for tail in _pieces_after(text, data, cut, origin + cut, shortest, 2):
                yield (head, *tail)
    if end == size:
        for cut in range(first, min(size - shortest, first + 3) + 1):
            tail_piece = (origin + cut, size - cut)
            for front in _pieces_before(text, data, cut, origin + cut, shortest, 2):
                yield (*front, tail_piece)
    # The run is the middle piece: what was said of its end holds for both ends.
    for start in range(first, first + 4):
        for stop in range(end, end - 4, -1):
            if stop - start < shortest:
                continue
            for front in _pieces_before(text, data, start, origin + start, shortest, 1):
                for tail in _pieces_after(text, data, stop, origin + stop, shortest, 1):
                    yield (*front, (origin + start, stop - start), *tail)


def _pieces_after(
    text: bytes, data: bytes, done: int, place: int, shortest: int, most: int
) -> Iterator[tuple[Piece, ...]]:
    """The rest of the text from character `done` on, in up to `most` pieces behind `place`."""
    rest = len(text) - done
    if rest < shortest:
        return
    for gap in range(1, MOST_FOREIGN + 1):
        start = place + gap
        if start >= len(data):
            return
        # The whole rest lies here; to cut it further would only be a longer reading.
        if data.startswith(text[done:], start):
            yield ((start, rest),)
        elif most > 1 and data[start] == text[done]:
            length = 1
            while (
                length < rest
                and data[start + length : start + length + 1]
                == text[done + length : done + length + 1]
            ):
                length += 1
            for part in range(length, max(shortest, length - 3) - 1, -1):
                inner = _pieces_after(text, data, done + part, start + part, shortest, 1)
                for tail in inner:
                    yield ((start, part), *tail)


def _pieces_before(
    text: bytes, data: bytes, done: int, place: int, shortest: int, most: int
) -> Iterator[tuple[Piece, ...]]:
    """The text before character `done`, in up to `most` pieces that end before `place`."""
    if done < shortest:
        return
    for gap in range(1, MOST_FOREIGN + 1):
        end = place - gap
        if end <= 0:
            return
        if end >= done and data.startswith(text[:done], end - done):
            yield ((end - done, done),)
        elif most > 1 and data[end - 1] == text[done - 1]:
            length = 1
            while (
                length < done and length < end and data[end - length - 1] == text[done - length - 1]
            ):
                length += 1
            for part in range(length, max(shortest, length - 3) - 1, -1):
                for front in _pieces_before(text, data, done - part, end - part, shortest, 1):
                    yield (*front, (end - part, part))
