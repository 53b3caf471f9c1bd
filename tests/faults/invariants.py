"""Looks at a store and a journal with plain hashes and JSON; knows nothing of the tool's code.

Rules are those of the README that lies in every store, and of the journal's own text.
"""

from __future__ import annotations

import hashlib
import json
import re
from dataclasses import dataclass
from pathlib import Path

ZEROS = "0" * 64


def sha256(data: bytes) -> str:
    return hashlib.sha256(data).hexdigest()


@dataclass(frozen=True)
class Seen:
    """What a person with `sha256sum` finds in a store."""

    backups: dict[str, tuple[str, ...]]
    """Whole records by their digest, with the digests of their files."""
    torn_records: tuple[str, ...]
    """Record names whose content is not what the name says."""
    torn_files: tuple[str, ...]
    """The same for kept files."""


def look_at_store(store: Path) -> Seen:
    """Every record and file; asserts that no whole record names a file that is not whole (I2)."""
    files, torn_files = {}, []
    for path in sorted((store / "files").iterdir()) if (store / "files").is_dir() else []:
        if not re.fullmatch("[0-9a-f]{64}", path.name):
            continue
        if sha256(path.read_bytes()) == path.name:
            files[path.name] = path
        else:
            torn_files.append(path.name)
    backups, torn_records = {}, []
    for path in sorted((store / "records").iterdir()) if (store / "records").is_dir() else []:
        match = re.fullmatch(r"\d{6}-([0-9a-f]{64})\.json", path.name)
        if not match:
            continue
        if sha256(path.read_bytes()) != match[1]:
            torn_records.append(path.name)
            continue
        named = tuple(read["file_sha256"] for read in json.loads(path.read_bytes())["reads"])
        missing = set(named) - set(files)
        assert not missing, f"backup {path.name} names files that are not whole: {missing}"
        backups[match[1]] = named
    return Seen(backups, tuple(torn_records), tuple(torn_files))


def journal_lines(path: Path) -> tuple[list[dict[str, object]], bytes]:
    """The sound lines, each checked against its digest and the one before, and the rest.

    The digest of a line is that of its text from the 80th character on.
    """
    entries: list[dict[str, object]] = []
    lines = path.read_bytes().split(b"\n") if path.exists() else [b""]
    previous = ZEROS
    for position, line in enumerate(lines[:-1]):
        text = line + b"\n"
        digest = sha256(text[79:])
        if not text.startswith(b'{"sha256": "%s", "' % digest.encode()):
            return entries, b"\n".join(lines[position:])
        entry = json.loads(line)
        assert entry["previous"] == previous
        assert entry["number"] == position + 1
        previous = digest
        entries.append(entry)
    return entries, lines[-1]
