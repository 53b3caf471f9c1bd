"""Several workers: the same answer as with one, faults and interruptions come through."""

from __future__ import annotations

import random
import threading
import zlib
from collections.abc import Iterator

import pytest

from memtool.core.discovery import discover_checksums
from memtool.core.discovery.collecting import Collector
from memtool.core.discovery.work import Piece, do_work
from memtool.core.image import Image


def piece(run: Iterator[None]) -> Piece:
    return Piece("something", run, Collector(1), [])


def test_any_number_of_workers_gives_the_same_answer() -> None:
    drawn = random.Random(17)
    images = []
    for _ in range(3):
        data = bytearray(b"\xff" * (1 << 16))  # fewer are left to one worker
        data[64:192] = drawn.randbytes(128)
        data[192:196] = zlib.crc32(data[64:192]).to_bytes(4, "little")
        data[0x800] = drawn.randrange(8)
        images.append(Image.from_bytes(bytes(data)))
    alone = discover_checksums(images)
    assert alone.blocks[0].algorithm == "CRC-32/ISO-HDLC"
    assert discover_checksums(images, workers=2) == alone
    assert discover_checksums(images, workers=5) == alone


def test_two_workers_work_at_once() -> None:
    both = threading.Barrier(2, timeout=20)

    def meet() -> Iterator[None]:
        yield
        both.wait()

    do_work([piece(meet()), piece(meet())], 2, None)
    assert both.n_waiting == 0


@pytest.mark.parametrize("workers", [1, 2])
def test_a_fault_of_any_piece_is_raised_to_the_caller(workers: int) -> None:
    def fail() -> Iterator[None]:
        yield
        raise MemoryError("no room")

    def work() -> Iterator[None]:
        yield

    for place in range(4):
        pieces = [piece(fail() if number == place else work()) for number in range(4)]
        with pytest.raises(MemoryError, match="no room"):
            do_work(pieces, workers, None)


def test_progress_may_end_the_work_and_the_helpers_stop() -> None:
    steps = iter(range(1_000_000))

    def endless() -> Iterator[None]:
        for _ in steps:
            yield

    def interrupt(done: int, total: int, text: str) -> None:
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        do_work([piece(endless()), piece(iter([None] * 3))], 2, interrupt)
    assert next(steps) < 999_999


def test_progress_never_goes_back_and_is_told_by_the_caller_alone() -> None:
    told: list[int] = []
    callers: set[int] = set()

    def tell(done: int, total: int, text: str) -> None:
        assert total == 40
        assert text == "something"
        told.append(done)
        callers.add(threading.get_ident())

    do_work([piece(iter([None] * 20)) for _ in range(40)], 3, tell)
    assert told == sorted(told)
    assert callers == {threading.get_ident()}
