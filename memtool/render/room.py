"""For how many columns a view is made, where it does not fill the whole terminal."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from contextvars import ContextVar

_ROOM: ContextVar[int | None] = ContextVar("_ROOM", default=None)


def room_there() -> int | None:
    """Columns of the part of a screen that a view is made for; None: the whole terminal."""
    return _ROOM.get()


@contextmanager
def room_of(columns: int) -> Iterator[None]:
    """While the body runs, views are made for so many columns."""
    before = _ROOM.set(columns)
    try:
        yield
    finally:
        _ROOM.reset(before)
