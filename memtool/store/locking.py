"""One benchimage at a time: a lock that the system frees itself, also after a kill."""

from __future__ import annotations

import errno
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from memtool.errors import StoreError
from memtool.lazy import filelock
from memtool.store.folder import OWN_FILE

LOCK_SECONDS = 60.0
"""How long to wait for another run to finish."""


@contextmanager
def hold_lock(path: Path, *, seconds: float = LOCK_SECONDS, needed: bool = True) -> Iterator[None]:
    """Hold the lock file `path`; its content is never touched, and it is never removed.

    Args:
        seconds: How long to wait for another process.
        needed: False for those who only read: where the place is read-only, nobody can
            write beside them, and they go on without a lock.

    Raises:
        StoreError: another process holds it for too long, or the file cannot be locked
            (a symbolic link in its place among others).
    """
    # A soft lock is a file that exists: after a kill it would stay and keep everyone out.
    lock = filelock.FileLock(path, timeout=seconds, mode=OWN_FILE, fallback_to_soft=False)
    try:
        lock.acquire()
    except filelock.Timeout as error:
        raise StoreError(
            f"another benchimage has been at work here for {seconds:g} seconds",
            code="locked",
            next_step="wait until it is done, then try again",
            file=str(path),
        ) from error
    except (OSError, NotImplementedError) as error:
        read_only = isinstance(error, OSError) and error.errno in (errno.EROFS, errno.EACCES)
        if read_only and not needed:
            yield
            return
        reason = error.strerror if isinstance(error, OSError) else str(error)
        raise StoreError(
            f"the lock file cannot be used: {reason}",
            code="cannot-lock",
            next_step="check what is in its place, and the permissions",
            file=str(path),
        ) from error
    try:
        yield
    finally:
        # What was to be done is done or has its own error; the system frees the lock for sure
        # when the process ends.
        with suppress(OSError):
            lock.release()
