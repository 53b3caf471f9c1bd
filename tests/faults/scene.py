"""An invented store and the steps that are put under faults, all in one process."""

from __future__ import annotations

import hashlib
import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from memtool.core.backup import BackupEntry, Role
from memtool.store.backups import BackupStore, ReadToKeep

TIME = "2026-03-01T10:00:00+01:00"
MEMORY = Path("/dev/shm")
"""A file system in memory makes the many small runs quick, where the system has one."""


def make_read(data: bytes, name: str = "read.bin") -> ReadToKeep:
    digest = hashlib.sha256(data).hexdigest()
    return ReadToKeep(
        name=name,
        data=data,
        file_sha256=digest,
        sha256=digest,
        format="raw",
        base=0,
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


def add(store: BackupStore, *reads: ReadToKeep, role: Role = Role.DONOR) -> BackupEntry:
    return store.add(reads, role=role, chip="24C04", single_read_reason="invented", added=TIME)


@contextmanager
def scratch() -> Iterator[Path]:
    """A new folder, in memory where that is possible."""
    place = Path(tempfile.mkdtemp(dir=MEMORY if MEMORY.is_dir() else None))
    try:
        yield place
    finally:
        shutil.rmtree(place, ignore_errors=True)
