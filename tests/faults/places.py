"""File systems to try: small, full, read-only, without links, blind to case. Needs root."""

from __future__ import annotations

import subprocess
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path


def run(*command: str | Path) -> None:
    subprocess.run([str(part) for part in command], check=True, capture_output=True, timeout=60)


@contextmanager
def mounted(place: Path, *command: str | Path) -> Iterator[Path]:
    """Mount on `place`, and take it away again."""
    place.mkdir(exist_ok=True)
    run(*command, place)
    deadline = time.monotonic() + 5
    while f" {place} " not in Path("/proc/self/mounts").read_text():
        assert time.monotonic() < deadline, "the mount did not come"
        time.sleep(0.02)
    try:
        yield place
    finally:
        for _ in range(50):
            if subprocess.run(["umount", place], capture_output=True).returncode == 0:
                break
            time.sleep(0.1)


@contextmanager
def memory_disk(place: Path, size: str) -> Iterator[Path]:
    """A tmpfs of that size."""
    with mounted(place, "mount", "-t", "tmpfs", "-o", f"size={size}", "none") as at:
        yield at


@contextmanager
def exfat_stick(place: Path) -> Iterator[Path]:
    """exFAT by FUSE: no links, no modes, blind to case."""
    disk = place.with_suffix(".disk")
    with disk.open("wb") as file:
        file.truncate(8 * 1024 * 1024)
    run("mkfs.exfat", disk)
    with loop_device(disk) as device, mounted(place, "mount.exfat-fuse", device) as at:
        yield at


@contextmanager
def ntfs_stick(place: Path) -> Iterator[Path]:
    """NTFS by FUSE, blind to case: hard links, but none of Linux' own extras."""
    disk = place.with_suffix(".disk")
    with disk.open("wb") as file:
        file.truncate(16 * 1024 * 1024)
    run("mkntfs", "-F", "-Q", disk)
    with mounted(place, "lowntfs-3g", "-o", "ignore_case", disk) as at:
        yield at


@contextmanager
def over_full_loop(place: Path) -> Iterator[Path]:
    """ext4 on a loop device whose own disk is too small: writes succeed, fsync fails."""
    under = place.with_suffix(".under")
    with memory_disk(under, "6m"):
        disk = under / "disk"
        with disk.open("wb") as file:
            file.truncate(64 * 1024 * 1024)
        run("mkfs.ext4", "-q", "-F", "-O", "^has_journal", disk)
        with loop_device(disk) as device, mounted(place, "mount", "-t", "ext4", device) as at:
            yield at


@contextmanager
def loop_device(disk: Path) -> Iterator[str]:
    """A block device over a file."""
    found = subprocess.run(
        ["losetup", "-f", "--show", disk], check=True, capture_output=True, text=True
    )
    device = found.stdout.strip()
    try:
        yield device
    finally:
        subprocess.run(["losetup", "-d", device], capture_output=True)
