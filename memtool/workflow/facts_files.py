"""Facts too long for a line of the journal lie in a file of the job, named by its digest.

A plan that changes a million bytes would make lines of megabytes, and soon a journal that
nobody can open. The line then holds ``{"facts_file": "files/facts-<sha256>.json"}``, and the
file the facts; the name is the proof. The file is there before the line that names it.
"""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from memtool.errors import InputError, JournalError, RefusalError, UsageError
from memtool.store.journal import JournalEntry
from memtool.store.reading import compute_sha256, read_file
from memtool.store.writing import make_folder, write_new

LONGEST_LINE = 32 * 1024
"""Facts whose text is longer go into a file of their own."""

_KEY = "facts_file"
_NAME = re.compile(r"files/facts-([0-9a-f]{64})\.json", re.ASCII)


def put_facts(
    folder: Path, facts: Mapping[str, Any], text: str
) -> tuple[Mapping[str, Any], tuple[tuple[str, str], ...]]:
    """Write facts that are too long for a line into the job's folder.

    Args:
        folder: Of the job.
        facts: JSON values.
        text: The same as JSON in plain ASCII.

    Returns:
        The facts for the line, and (path, SHA-256) of the file that they name, if any.

    Raises:
        StoreError: the file was not written.
    """
    if len(text) <= LONGEST_LINE:
        return facts, ()
    # As text the line's end costs no second copy of megabytes.
    data = f"{text}\n".encode("ascii")
    digest = compute_sha256(data)
    name = f"files/facts-{digest}.json"
    make_folder((folder / name).parent)
    try:
        write_new(folder / name, data, sha256=digest)
    except RefusalError:
        # Of a run that was cut off before its line, or of an entry with the very same facts.
        _read(folder, name)
    return {_KEY: name}, ((name, digest),)


def fetch_facts(folder: Path, entry: JournalEntry) -> JournalEntry:
    """The entry with its facts in place, wherever they lie.

    Raises:
        JournalError: the file that it names is missing or was changed.
    """
    if entry.facts.keys() != {_KEY}:
        return entry
    name = entry.facts[_KEY]
    if not isinstance(name, str) or not _NAME.fullmatch(name):
        raise ValueError(f"entry {entry.number} ({entry.kind}) lacks or garbles '{_KEY}'")
    text = _read(folder, name).decode("ascii").strip()
    facts = json.loads(text)
    if not isinstance(facts, dict):
        raise ValueError(f"entry {entry.number} ({entry.kind}) lacks or garbles '{_KEY}'")
    return entry._replace(facts=facts, text=text)


def _read(folder: Path, name: str) -> bytes:
    match = _NAME.fullmatch(name)
    try:
        content = read_file(folder / name)
    except (InputError, UsageError) as error:
        raise _lost(folder, name, f"cannot be read: {error.message}") from error
    if match is None or content.sha256 != match[1]:
        raise _lost(folder, name, "was changed: its digest is not the one in its name")
    return content.data


def _lost(folder: Path, name: str, what: str) -> JournalError:
    return JournalError(
        f"this file of the job {what}",
        code="facts-file",
        next_step="put it back from a copy of the job's folder",
        file=str(folder / name),
    )
