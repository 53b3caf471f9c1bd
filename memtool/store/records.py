"""A backup's record: plain JSON, in a file whose name holds the number and the SHA-256.

The name is the proof: ``000003-<sha256>.json``. One changed byte, and the digest in the
name does not fit any more (``sha256sum records/*`` shows it). The number gives the order;
clocks can go wrong.
"""

from __future__ import annotations

import json
import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from memtool.core.job.backup import Backup, BackupRead
from memtool.core.read_options import PLAIN, ImageFormat, ReadOptions
from memtool.core.reader_order import parse_reader_order
from memtool.core.role import Role
from memtool.errors import StoreError
from memtool.store.reading import compute_sha256

RECORD_VERSION = 2
"""The newest. A record says 2 only where a read is not in the chip's order, so that 0.1.0,
which knows no other order, reads all the others."""
_RECORD_FORMATS = tuple(f"benchimage.backup/{version}" for version in (1, RECORD_VERSION))
ID_LENGTH = 12
"""Hex digits of a backup's id: the first of its record's digest."""

_NAME = re.compile(r"([0-9]{6,12})-([0-9a-f]{64})\.json", re.ASCII)
_DIGEST = re.compile(r"[0-9a-f]{64}", re.ASCII)
_FORMAT = re.compile(r"benchimage\.backup/([1-9][0-9]{0,8})", re.ASCII)


@dataclass(frozen=True, slots=True, kw_only=True)
class Record:
    """One record, as it lies in the store."""

    name: str
    """Of its file."""
    data: bytes
    """Of its file."""
    number: int
    """From 1, in the order of adding; a copy in a second store keeps it."""
    entry: Backup
    file_sizes: tuple[int, ...]
    """Bytes of each read's file."""

    @property
    def sha256(self) -> str:
        """Of its file, as in its name."""
        return self.name.removesuffix(".json").rpartition("-")[2]

    def numbered(self, number: int) -> Record:
        """The same backup under another number."""
        entry = self.entry
        return make_record(
            number,
            role=entry.role,
            chip=entry.chip,
            reads=entry.reads,
            file_sizes=self.file_sizes,
            single_read_reason=entry.single_read_reason,
            added=entry.added,
        )

    @property
    def content(self) -> tuple[object, ...]:
        """What is kept, whenever and under whatever file names: the same again is no new backup."""
        entry = self.entry
        files = tuple((read.file_sha256, read.options) for read in entry.reads)
        return entry.role, entry.chip, entry.single_read_reason, files


def make_record(
    number: int,
    *,
    role: Role,
    chip: str,
    reads: Sequence[BackupRead],
    file_sizes: Sequence[int],
    single_read_reason: str | None,
    added: str,
) -> Record:
    """The record of a new backup, with its id."""
    is_plain = all(read.options.order == PLAIN for read in reads)
    members = {
        "format": _RECORD_FORMATS[0 if is_plain else 1],
        "number": number,
        "role": role.value,
        "chip": chip,
        "single_read_reason": single_read_reason,
        "added": added,
        "reads": [
            {
                "name": read.name,
                "file_sha256": read.file_sha256,
                "file_size": size,
                "sha256": read.sha256,
                "format": read.format,
                "base": read.options.base,
                "size": read.size,
                "overlap_last": read.options.overlap_last,
                "accept_missing_end": read.options.accept_missing_end,
                **({} if is_plain else {"order": read.options.order}),
            }
            for read, size in zip(reads, file_sizes, strict=True)
        ],
    }
    data = (json.dumps(members, indent=2, ensure_ascii=True) + "\n").encode("ascii")
    digest = compute_sha256(data)
    entry = Backup(
        id=digest[:ID_LENGTH],
        role=role,
        chip=chip,
        reads=tuple(reads),
        single_read_reason=single_read_reason,
        added=added,
    )
    name = f"{number:06d}-{digest}.json"
    return Record(name=name, data=data, number=number, entry=entry, file_sizes=tuple(file_sizes))


def split_record_name(name: str) -> tuple[int, str] | None:
    """Number and digest of a record's file name, or None where it is none."""
    match = _NAME.fullmatch(name)
    return (int(match[1]), match[2]) if match else None


def is_digest(name: str) -> bool:
    """Whether a name is 64 lower-case hex digits."""
    return _DIGEST.fullmatch(name) is not None


def parse_record(name: str, data: bytes, *, shown: str) -> Record:
    """Read a record and verify it against its name.

    Args:
        name: Of its file, in the shape that `split_record_name` knows.
        data: Of its file.
        shown: Its path for messages.

    Raises:
        StoreError: changed (``record-changed``), or of another version (``newer-version``,
            ``unknown-record``).
    """
    parts = split_record_name(name)
    if parts is None or compute_sha256(data) != parts[1]:
        raise StoreError(
            f"the record was changed or is incomplete: {_size_of(data)} do not match its name",
            code="record-changed",
            next_step="get it back with 'benchimage backup check --repair --also DIR'",
            file=shown,
        )
    try:
        members = json.loads(data)
    except (ValueError, RecursionError) as error:
        raise _unknown("it is not JSON", shown) from error
    if not isinstance(members, dict):
        raise _unknown("it is not a JSON object", shown)
    _require_version(members.get("format"), shown)
    record = _record_of(members)
    if record is None or record.data != data or record.name != name:
        extra = ", ".join(map(ascii, sorted(set(members) - set(_MEMBERS))))
        version = members["format"].rpartition("/")[2]
        detail = f"it has members that version {version} does not know: {extra}"
        raise _unknown(detail if extra else f"it is not written as version {version}", shown)
    return record


_MEMBERS = ("format", "number", "role", "chip", "single_read_reason", "added", "reads")


def _record_of(members: dict[str, Any]) -> Record | None:
    """The record that says this, or None if no record can; the caller compares the bytes."""
    try:
        reason = members["single_read_reason"]
        texts = (members["chip"], members["added"], "" if reason is None else reason)
        reads = [_read_of(read) for read in members["reads"]]
        sizes = [read["file_size"] for read in members["reads"]]
        right = type(members["number"]) is int and all(type(size) is int for size in sizes)
        if not (right and reads and all(isinstance(text, str) for text in texts)):
            return None
        return make_record(
            members["number"],
            role=Role(members["role"]),
            chip=members["chip"],
            reads=reads,
            file_sizes=sizes,
            single_read_reason=reason,
            added=members["added"],
        )
    except (KeyError, TypeError, ValueError):
        return None


def _read_of(members: dict[str, Any]) -> BackupRead:
    """One read.

    Raises:
        KeyError, TypeError, ValueError: it is none.
    """
    options = ReadOptions(
        format=ImageFormat(members["format"]),
        base=members["base"],
        overlap_last=members["overlap_last"],
        accept_missing_end=members["accept_missing_end"],
        order=parse_reader_order(members.get("order", PLAIN)),
    )
    read = BackupRead(
        name=members["name"],
        file_sha256=members["file_sha256"],
        sha256=members["sha256"],
        size=members["size"],
        options=options,
    )
    if not (
        is_digest(read.file_sha256)
        and is_digest(read.sha256)
        and all(type(number) is int and number >= 0 for number in (options.base, read.size))
        and isinstance(read.name, str)
        and isinstance(options.overlap_last, bool)
        and isinstance(options.accept_missing_end, bool)
    ):
        raise ValueError(read)
    return read


def _require_version(given: object, shown: str) -> None:
    if given in _RECORD_FORMATS:
        return
    match = _FORMAT.fullmatch(given) if isinstance(given, str) else None
    if match:
        raise StoreError(
            f"the record was made by a newer benchimage: its version is {match[1]},"
            f" and this one knows {RECORD_VERSION}",
            code="newer-version",
            next_step="update benchimage",
            file=shown,
        )
    raise _unknown("it names no known format", shown)


def _unknown(why: str, shown: str) -> StoreError:
    return StoreError(
        f"this is not a record of benchimage: {why}",
        code="unknown-record",
        next_step="nothing was changed; find out who put it there",
        file=shown,
    )


def _size_of(data: bytes) -> str:
    return "its 0 bytes" if not data else f"its {len(data):,} bytes"
