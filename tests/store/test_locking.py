"""The lock: what it waits for, when it is done without, that it is given back."""

from __future__ import annotations

import errno
import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
from filelock import FileLock

from memtool.errors import StoreError
from memtool.store.locking import hold_lock

fcntl = pytest.importorskip("fcntl")


@contextmanager
def held_elsewhere(path: Path) -> Iterator[None]:
    """By another open file, which counts as another process for this kind of lock."""
    descriptor = os.open(path, os.O_RDWR | os.O_CREAT)
    fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
    try:
        yield
    finally:
        os.close(descriptor)


def is_free(path: Path) -> bool:
    try:
        with held_elsewhere(path):
            return True
    except BlockingIOError:
        return False


def test_it_is_held_inside_and_given_back_behind(tmp_path: Path) -> None:
    path = tmp_path / "lock"
    with hold_lock(path):
        assert not is_free(path)
    assert is_free(path)
    with pytest.raises(ZeroDivisionError), hold_lock(path):
        raise ZeroDivisionError
    assert is_free(path)


@pytest.mark.parametrize("needed", [True, False])
def test_waiting_has_an_end(tmp_path: Path, needed: bool) -> None:
    path = tmp_path / "lock"
    with (
        held_elsewhere(path),
        pytest.raises(StoreError, match=r"at work here for 0\.05 seconds") as caught,
        hold_lock(path, seconds=0.05, needed=needed),
    ):
        raise AssertionError("it was held by another")
    assert (caught.value.code, caught.value.file) == ("locked", str(path))


@pytest.mark.parametrize(
    ("error", "said"),
    [
        (OSError(errno.EROFS, os.strerror(errno.EROFS)), "Read-only file system"),
        (OSError(errno.EACCES, os.strerror(errno.EACCES)), "Permission denied"),
        (OSError(errno.EIO, os.strerror(errno.EIO)), "Input/output error"),
        (NotImplementedError("no locks here"), "no locks here"),
    ],
)
@pytest.mark.parametrize("needed", [True, False])
def test_what_only_reads_does_without_where_nobody_can_write(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, error: Exception, said: str, needed: bool
) -> None:
    def acquire(*_: Any, **__: Any) -> None:
        raise error

    monkeypatch.setattr(FileLock, "acquire", acquire)
    reached = False
    if not needed and isinstance(error, OSError) and error.errno != errno.EIO:
        with hold_lock(tmp_path / "lock", needed=needed):
            reached = True
        assert reached
        return
    with (
        pytest.raises(StoreError, match=f"the lock file cannot be used: {said}") as caught,
        hold_lock(tmp_path / "lock", needed=needed),
    ):
        reached = True
    assert not reached
    assert caught.value.code == "cannot-lock"


@pytest.mark.parametrize("number", [errno.ENOSYS, errno.EOPNOTSUPP, errno.ENOLCK])
def test_a_place_without_locks_gets_no_weaker_one(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, number: int
) -> None:
    """A lock that is the mere existence of a file would stay behind after a kill."""

    def flock(descriptor: int, kind: int) -> None:
        raise OSError(number, os.strerror(number))

    monkeypatch.setattr(fcntl, "flock", flock)
    with (
        pytest.raises(StoreError, match=r"cannot be used|at work here"),
        hold_lock(tmp_path / "lock", seconds=0.05),
    ):
        raise AssertionError("there is no lock")
