"""The version of a store's shape: its marker, its README, and the step from 1 to 2.

Version 2 has the folder `jobs`. benchimage 0.1.0 knows version 1 alone and refuses a
store of version 2 with a sentence; this benchimage reads both, and makes 2 out of 1 the
first time it writes.
"""

from __future__ import annotations

import json
import re

from memtool.store.folder import Folder
from memtool.store.writing import replace_in

STORE_VERSION = 2
README, MARKER, JOBS = "README.txt", "store.json", "jobs"


def _marker(version: int) -> bytes:
    return (json.dumps({"format": f"benchimage.store/{version}"}) + "\n").encode("ascii")


MARKER_DATA = _marker(STORE_VERSION)
OLD_MARKER_DATA = _marker(1)

OLD_README_DATA = b"""\
BACKUPS OF MEMORY CHIPS, KEPT BY BENCHIMAGE

A copy in here may be the only one left of a module that cannot be bought any more.
Change nothing by hand; copying out of this folder is always safe.

Everything is a plain file, and no tool is needed to get a backup back:

1. Look into the files in "records". Each is one backup, as plain JSON text: which role
   (original, donor, reference), which chip, when, and under "reads" each file that was
   kept, with its own name ("name") and its SHA-256 ("file_sha256").
2. Copy the file of that SHA-256 out of "files" and give it its name back.
   It is, byte for byte, the file that the reader saved.

To check by hand: the name of every file in "files" is its own SHA-256, and so is the
long part of every name in "records". "sha256sum files/* records/*" (Linux),
"shasum -a 256 files/* records/*" (macOS) or "Get-FileHash files\\*" (Windows) prints
the same digests.

"journal.jsonl" has one line for each backup. "set-aside" holds damaged files that were
replaced by good copies. To empty the store, move the whole folder away.
Names that begin with ".unfinished-" are left from a write that was cut off; they may go.
"""
"""Belongs to version 1 and never changes with it: `check` compares it."""

README_DATA = OLD_README_DATA.replace(
    b"To empty the store, move the whole folder away.\n",
    b"""To empty the store, move the whole folder away.
"jobs" says in which folders the orders are; it can be made anew from these folders.
""",
)
"""Belongs to version 2 and never changes with it."""

FIXED = {README: (README_DATA, OLD_README_DATA), MARKER: (MARKER_DATA, OLD_MARKER_DATA)}
"""What each may hold, newest first: a store that nobody writes to stays as it is."""

_FORMAT = re.compile(rb'\{"format": "benchimage\.store/([1-9][0-9]{0,8})"')


def version_of_marker(data: bytes) -> int | None:
    """The version of a store with this marker; None where it is no marker."""
    match = _FORMAT.match(data)
    if match is None:
        return None
    version = int(match[1])
    is_exact = version > STORE_VERSION or data == _marker(version)
    return version if is_exact else None


def upgrade_shape(root: Folder) -> None:
    """Make version 2 out of a store of version 1; the caller holds the store's lock.

    Cut off at any moment, the store is still version 1, and the next run does it again.

    Raises:
        StoreError: a file was not written.
        OSError: the folder `jobs` cannot be made.
    """
    # Version 1 let every user of the machine look into it.
    root.close_to_others()
    root.make(JOBS)
    replace_in(root, README, README_DATA, read_only=True)
    # Last, since it says that all the rest is there.
    replace_in(root, MARKER, MARKER_DATA, read_only=True)
