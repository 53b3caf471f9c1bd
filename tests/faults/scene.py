"""An invented store and the steps that are put under faults, all in one process."""

from __future__ import annotations

import hashlib
import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from memtool.core.job.backup import Backup
from memtool.core.read_options import ImageFormat, ReadOptions
from memtool.core.role import Role
from memtool.store.backups import BackupStore, NewRead

TIME = "2026-03-01T10:00:00+01:00"
MEMORY = Path("/dev/shm")
"""A file system in memory makes the many small runs quick, where the system has one."""


def make_read(data: bytes, name: str = "read.bin") -> NewRead:
    digest = hashlib.sha256(data).hexdigest()
    return NewRead(
        name=name,
        data=data,
        file_sha256=digest,
        sha256=digest,
        options=ReadOptions(format=ImageFormat.RAW),
        size=len(data),
    )


def invented_bytes(seed: int, size: int = 512) -> bytes:
    """Bytes of no meaning, the same for the same seed."""
    out = b""
    while len(out) < size:
        out += hashlib.sha256(f"{seed} {len(out)}".encode()).digest()
    return out[:size]


FIRST = make_read(invented_bytes(1), "first.bin")
SECOND = make_read(invented_bytes(2), "second.bin")


def add(store: BackupStore, *reads: NewRead, role: Role = Role.DONOR) -> Backup:
    return store.add(reads, role=role, chip="24C04", single_read_reason="invented", added=TIME)


@contextmanager
def scratch() -> Iterator[Path]:
    """A new folder, in memory where that is possible."""
    place = Path(tempfile.mkdtemp(dir=MEMORY if MEMORY.is_dir() else None))
    try:
        yield place
    finally:
        shutil.rmtree(place, ignore_errors=True)
