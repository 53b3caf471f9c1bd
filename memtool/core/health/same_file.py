"""One file given twice is not two reads."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import combinations
from typing import NamedTuple

from memtool.core.finding import Finding, Severity


class ReadFile(NamedTuple):
    """Which file a read came from, as the file system knows it."""

    path: str
    device: int
    inode: int
    """0 where the file system numbers no files; the path then decides."""


def find_same_file(files: Sequence[ReadFile]) -> tuple[Finding, ...]:
    """One file given twice (same path, a link, or one inode) is not two reads."""
    found = []
    for (first, a), (second, b) in combinations(enumerate(files, 1), 2):
        numbered = bool(a.inode and b.inode)
        same = (a.device, a.inode) == (b.device, b.inode) if numbered else a.path == b.path
        if same:
            found.append(
                Finding(
                    code="reads-same-file",
                    severity=Severity.FAILURE,
                    text=f"Read {first} and read {second} are the same file, so there is only one "
                    "read; remove and refit the clip, read once more and give that file.",
                )
            )
    return tuple(found)
