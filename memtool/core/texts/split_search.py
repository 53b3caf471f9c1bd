"""A known text that lies in pieces: cut at a page or bank, foreign bytes between.

Texts of nine characters or more are looked for in two or three pieces, shorter ones in two;
pieces have at least two characters, of texts from twelve on at least one. Only known texts
can be found so: seventeen characters of an unknown VIN in three pieces are hopeless, chance
gives thousands of them in any image.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from itertools import combinations, islice

from memtool.core.image import Image
from memtool.core.texts.string_places import find_strings
from memtool.core.texts.trace import Trace, make_trace

MOST_FOREIGN = 16
"""Foreign bytes between two pieces, at most."""
_MOST_HITS = 200
_THREE_PIECES_FROM = 9
_ONE_CHARACTER_FROM = 12

Piece = tuple[int, int]
"""(offset in the segment, length)."""
_Seed = tuple[bytes, int]
"""A part of a text, and the number of its first character."""
_Places = Mapping[bytes, Sequence[int]]
"""Where seeds stand, as far as it is known."""


def find_split(texts: Sequence[bytes], image: Image) -> Iterator[tuple[bytes, Trace]]:
    """Every place where one of `texts` lies in pieces; of readings of the same end the shortest.

    Args:
        texts: Each of at least four characters.
        image: A gap between segments breaks a text.
    """
    seeds = {text: _list_seeds(text) for text in texts}
    shortest = min(map(len, texts), default=0)
    for segment in image.segments:
        if len(segment.data) < shortest:
            continue
        known = find_strings((seed for each in seeds.values() for seed, _ in each), segment.data)
        for text in texts:
            readings = _find_two if len(text) < _THREE_PIECES_FROM else _find_three
            best: dict[int, tuple[Piece, ...]] = {}
            for pieces in readings(text, segment.data, seeds[text], known):
                end = pieces[-1][0] + pieces[-1][1]
                # The later it begins, the shorter it is.
                if end not in best or pieces[0][0] > best[end][0][0]:
                    best[end] = pieces
            for pieces in best.values():
                yield (
                    text,
                    make_trace(
                        (segment.start + offset + index, 0xFF)
                        for offset, length in pieces
                        for index in range(length)
                    ),
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


def _list_seeds(text: bytes) -> list[_Seed]:
    """What is looked for of a text; one of them stands in each of its readings.

    Of two pieces the longer one is. Of three the longest has a third of the text, rounded up.
    """
    if len(text) < _THREE_PIECES_FROM:
        seeds = [_choose_piece(text, cut) for cut in range(2, len(text) - 1)]
    else:
        size = -(-len(text) // 3)
        seeds = [(text[first : first + size], first) for first in range(len(text) - size + 1)]
    return [(seed, first) for seed, first in seeds if len(set(seed)) > 1]


def _choose_piece(text: bytes, cut: int) -> _Seed:
    """The better one of two pieces: one of several characters, then the longer one."""
    pieces = ((text[:cut], 0), (text[cut:], cut))
    return max(reversed(pieces), key=lambda piece: (len(set(piece[0])) > 1, len(piece[0])))


def _places_of(seed: bytes, data: bytes, known: _Places) -> Iterator[int]:
    """Where a seed stands, one after the other, those that overlap too."""
    if seed in known:
        yield from known[seed]
        return
    place = data.find(seed)
    while place >= 0:
        yield place
        place = data.find(seed, place + 1)


def _find_two(
    text: bytes, data: bytes, seeds: Sequence[_Seed], known: _Places
) -> Iterator[tuple[Piece, ...]]:
    """In two pieces: one is looked for, then the other one near it."""
    for seed, first in seeds:
        cut = first or len(seed)
        front, tail = text[:cut], text[cut:]
        found = 0
        for place in _places_of(seed, data, known):
            other = _before(front, data, place) if first else _after(tail, data, place + cut)
            if other < 0:
                continue
            start, behind = (other, place) if first else (place, other)
            yield (start, cut), (behind, len(tail))
            found += 1
            if found == _MOST_HITS:
                break


def _after(piece: bytes, data: bytes, end: int) -> int:
    """Where `piece` begins next behind `end`, with foreign bytes between; -1: nowhere near."""
    return data.find(piece, end + 1, end + MOST_FOREIGN + len(piece))


def _before(piece: bytes, data: bytes, start: int) -> int:
    """Where `piece` begins that ends next before `start`; -1: nowhere near."""
    return data.rfind(piece, max(0, start - MOST_FOREIGN - len(piece)), max(0, start - 1))


def _find_three(
    text: bytes, data: bytes, seeds: Sequence[_Seed], known: _Places
) -> Iterator[tuple[Piece, ...]]:
    """In two or three pieces, one of which holds a seed in one run."""
    done: set[tuple[int, int, int]] = set()
    for seed, first in seeds:
        for place in islice(_places_of(seed, data, known), _MOST_HITS):
            run = _extend(text, data, first, place, len(seed))
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
