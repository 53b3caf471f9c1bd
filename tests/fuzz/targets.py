"""Every reader of the tool as a function of bytes, with what must hold for any of them.

A reader answers, or refuses with an error of ours that is one sentence. Whatever else comes
out of it is a fault of the reader: `run_target` lets it through.
"""

from __future__ import annotations

import atexit
import hashlib
import json
import re
import shutil
import tempfile
from collections.abc import Callable
from functools import cache
from pathlib import Path

from memtool.errors import InputError, MemtoolError, StoreError
from memtool.formats.codec import ImageFormat, encode_image, parse_image
from memtool.store.journal import append_entry, parse_journal
from memtool.store.layout_files.layouts import parse_layout, read_layout
from memtool.store.reading import FileContent
from memtool.store.records import make_record, parse_record

MEMORY = Path("/dev/shm")
MOST = 64 * 1024
"""Bytes of one input; longer ones show nothing new here."""


def read_intel_hex(data: bytes) -> None:
    _read_format(data, ImageFormat.INTEL_HEX)


def read_s_record(data: bytes) -> None:
    _read_format(data, ImageFormat.S_RECORD)


def _read_format(data: bytes, format: ImageFormat) -> None:
    """What is read must come back from what is written of it."""
    for relaxed in (False, True):
        parsed = parse_image(data, format=format, overlap_last=relaxed, accept_missing_end=relaxed)
        again = parse_image(encode_image(parsed.image, format), format=format)
        if again.image != parsed.image:
            raise AssertionError("what was written reads back as another image")


def read_any(data: bytes) -> None:
    """Format told by content; what passes for raw holds exactly the file's bytes."""
    parsed = parse_image(data)
    if parsed.format is ImageFormat.RAW and parsed.image.size != len(data):
        raise AssertionError("a raw file lost bytes")


def read_layout_text(data: bytes) -> None:
    parse_layout(data.decode("utf-8", "replace"))


def read_layout_file(data: bytes) -> None:
    """With the file's own faults: bytes that are no UTF-8, marks at its start."""
    _with_file(data, lambda path: read_layout(path))


def read_journal_bytes(data: bytes) -> None:
    parse_journal(_content(data))


def read_journal_sealed(data: bytes) -> None:
    """Lines whose digest is right, so that what is inside them is reached."""
    sealed = b""
    for line in data.split(b"\n"):
        rest = line + b"\n"
        sealed += b'{"sha256": "' + hashlib.sha256(rest).hexdigest().encode() + b'", ' + rest
    state = parse_journal(_content(sealed))
    if not all(isinstance(entry.facts, dict) for entry in state.entries):
        raise AssertionError("facts of another type")


def append_to_journal(data: bytes) -> None:
    """Nothing but what is torn may be replaced, and what is added can be read."""

    def append(path: Path) -> None:
        append_entry(path, kind="note", facts={"text": "x"}, time="2026-03-01T10:00:00+01:00")
        written = path.read_bytes()
        lines = re.findall(rb"[^\n]*\n|[^\n]+", data)
        if not lines[-1:] or not lines[-1].endswith(b"\n") or b"\0" in lines[-1]:
            lines = lines[:-1]  # No end, or blocks that were never written.
        if not written.startswith(b"".join(lines)):
            raise AssertionError("a sound line was changed")
        parse_journal(_content(written))

    _with_file(data, append)


def read_record_sealed(data: bytes) -> None:
    """A record whose digest is right; what is read must be written the same again."""
    digest = hashlib.sha256(data).hexdigest()
    record = parse_record(f"000001-{digest}.json", data, shown="record")
    entry = record.entry
    again = make_record(
        record.number,
        role=entry.role,
        chip=entry.chip,
        reads=entry.reads,
        file_sizes=record.file_sizes,
        single_read_reason=entry.single_read_reason,
        added=entry.added,
    )
    if json.loads(again.data) != json.loads(data):
        raise AssertionError("a record says what its bytes do not")


TARGETS: dict[str, Callable[[bytes], None]] = {
    "intel-hex": read_intel_hex,
    "s-record": read_s_record,
    "any": read_any,
    "layout-text": read_layout_text,
    "layout-file": read_layout_file,
    "journal": read_journal_bytes,
    "journal-sealed": read_journal_sealed,
    "journal-append": append_to_journal,
    "record-sealed": read_record_sealed,
}


def run_target(name: str, data: bytes) -> None:
    """One input to one reader.

    Raises:
        AssertionError: an invariant does not hold, or a refusal is no sentence.
        Exception: whatever the reader should not have let out.
    """
    try:
        TARGETS[name](data)
    except (InputError, StoreError) as error:
        require_sentence(error)


def require_sentence(error: MemtoolError) -> None:
    """A refusal says something, in one line."""
    if not error.message.strip() or "\n" in error.message or len(error.message) > 2000:
        raise AssertionError(f"no sentence: {error.message!r}") from error


def _content(data: bytes) -> FileContent:
    return FileContent(
        path=Path("journal.jsonl"),
        data=data,
        sha256=hashlib.sha256(data).hexdigest(),
        device=0,
        inode=0,
    )


def _with_file(data: bytes, use: Callable[[Path], object]) -> None:
    path = _scratch() / "input"
    path.write_bytes(data)
    use(path)


@cache
def _scratch() -> Path:
    """One folder in memory for the whole process; a file of the same name is made anew."""
    folder = Path(tempfile.mkdtemp(dir=MEMORY if MEMORY.is_dir() else None))
    atexit.register(shutil.rmtree, folder, ignore_errors=True)
    return folder
