r"""A journal: JSON lines that are only ever added to, each chained to the one before.

A line looks like this, in plain ASCII, and ends with one newline::

    {"sha256": "9f2c…", "number": 3, "time": "…", "kind": "…", "facts": {…},
     "files": [{"path": "…", "sha256": "…"}], "previous": "51ab…"}

(all on one line). ``sha256`` is the SHA-256 of the rest of its own line, from the quote
before ``number`` to the newline, both included; ``previous`` is the ``sha256`` of the
line before, 64 zeros in the first. Both can be checked with common tools, here for line 3,
since the rest begins at the 80th character::

    sed -n 3p journal.jsonl | cut -c 80- | sha256sum

The first line has one member more, ``format``, between ``sha256`` and ``number``. So has
the first line of a later version: a journal that an older benchimage began goes on in the
version of the one that adds to it, and the older one then says that it cannot read it.

What the chain shows: a line edited, removed, put in another place, or added in between.
What it cannot show by itself: whole lines cut from the end, and a journal that was made
anew by someone who knows the rule. No secret key is involved.

A crash can leave a last line without its end. Nobody was told that it was written, so it
says nothing; the sound lines before it stay valid, and it is reported. The next entry that
is added takes its place: first comes one of the kind `TORN_LINE`, which keeps what was
there. Any other broken line is damage, and nothing is added behind it.
"""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any, NamedTuple, TypeAlias

from memtool.errors import InputError, JournalError, StoreError, UsageError
from memtool.lazy import pydantic_core
from memtool.store.folder import Folder, open_folder
from memtool.store.locking import hold_lock
from memtool.store.reading import FileContent, compute_sha256, read_file_in
from memtool.store.writing import append_line, explaining, write_new_in

JsonValue: TypeAlias = (
    "str | int | float | bool | Sequence[JsonValue] | Mapping[str, JsonValue] | None"
)

STORE_VERSION = 1
"""Of the lines in the backup store's own journal and in a layout's review."""
JOB_VERSION = 2
"""Of the lines in a job's journal: its entries are events with memory, digests and tool."""
JOURNAL_VERSION = 2
"""The newest that is understood."""
TORN_LINE = "torn-line"
"""Kind of the entry that keeps what was left of an unfinished line."""
NO_PREVIOUS = "0" * 64

_FORMAT_NAME = "benchimage.journal/"
_FORMAT = re.compile(r"benchimage\.journal/([1-9][0-9]{0,8})", re.ASCII)
_BEGIN, _END = b'{"sha256": "', b'", '
_HEAD_LENGTH = 79
"""Of ``{"sha256": "``, 64 digits and ``", ``; what follows is what the digest is made of."""
_TORN_TEXT = 4096
_KEEP = "keep the file as it is, and look for an older copy of it"
_LIMIT = 64 * 1024 * 1024
_AT_ONCE = 256
"""Entries whose facts are written again in one text."""
_encode = json.JSONEncoder(ensure_ascii=True, allow_nan=False).encode
_KEYS = ("number", "time", "kind", "facts", "files", "previous")
_USUAL = re.compile(
    rb'\{"sha256": "([0-9a-f]{64})", ("number": ([0-9]+), "time": "([ !#-\[\]-~]*)",'
    rb' "kind": "([ !#-\[\]-~]*)", "facts": (\{.*\}), "files": \[\],'
    rb' "previous": "([0-9a-f]{64})"\}\n)'
)
"""Nearly every line; time and kind in characters that JSON writes as they are."""


@dataclass(frozen=True, slots=True, kw_only=True)
class JournalFile:
    """A file that an entry speaks of, as it was at that moment."""

    path: str
    sha256: str


class JournalEntry(NamedTuple):
    """One line. A long journal makes one for each, and a tuple is made quickest."""

    version: int
    """Of the journal's format; it says how the facts are written."""
    number: int
    """From 1, without gaps."""
    time: str
    """ISO 8601 with zone."""
    kind: str
    facts: dict[str, Any]
    """JSON values."""
    text: str
    """The facts as JSON text in plain ASCII, as the line has them."""
    files: tuple[JournalFile, ...]
    previous: str
    """`sha256` of the entry before; `NO_PREVIOUS` in the first."""
    sha256: str
    """Digest of the line's text after its own digest."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TornLine:
    """A last line that was never finished."""

    line: int
    """From 1."""
    size: int
    """Bytes that are there."""
    sha256: str
    """Of these bytes."""
    text: str
    """The bytes as Latin-1 text, the first 4,096 of them."""


@dataclass(frozen=True, slots=True, kw_only=True)
class JournalState:
    """All that a journal says, after its chain was verified."""

    entries: tuple[JournalEntry, ...]
    torn: TornLine | None
    """The unfinished last line, to be reported; None in a sound journal."""


def read_journal(path: Path) -> tuple[JournalEntry, ...]:
    """The entries of a journal; an unfinished last line is left out (see `check_journal`).

    Raises:
        UsageError: there is no such file.
        JournalError: it is no journal, a newer version made it, or its chain is broken; names the
            first bad line.
        InputError: it cannot be read.
    """
    return check_journal(path).entries


def check_journal(path: Path) -> JournalState:
    """Read a journal and verify it; also tells of an unfinished last line.

    Raises:
        As `read_journal`.
    """
    with _open_parent(path) as folder:
        try:
            content = read_file_in(folder, path.name, limit=_LIMIT)
        except InputError as error:
            if error.code != "changed-while-read":
                raise
            # Another run was adding a line: with the lock held, nobody is.
            with hold_lock(_lock_of(path), needed=False):
                content = read_file_in(folder, path.name, limit=_LIMIT)
        return parse_journal(content)


def append_entry(
    path: Path,
    *,
    kind: str,
    facts: Mapping[str, JsonValue],
    files: Iterable[JournalFile] = (),
    time: str,
    version: int = STORE_VERSION,
) -> JournalEntry:
    """Add an entry, durably, and make the journal if there is none yet.

    The journal is locked and its whole chain verified before anything is added.

    Args:
        path: The journal; its folder must exist.
        kind: Lower-case, hyphenated.
        facts: JSON values.
        files: The files that the entry speaks of.
        time: ISO 8601 with zone.
        version: How the facts are written.

    Raises:
        ValueError: `time` has no zone or is no time.
        JournalError: the journal is broken; nothing was added.
        StoreError: not written.
    """
    with _open_parent(path) as folder, hold_lock(_lock_of(path)):
        return append_entry_in(
            folder, path.name, kind=kind, facts=facts, files=files, time=time, version=version
        )


def _lock_of(path: Path) -> Path:
    return path.with_name(f"{path.name}.lock")


def append_entry_in(
    folder: Folder,
    name: str,
    *,
    kind: str,
    facts: Mapping[str, JsonValue],
    files: Iterable[JournalFile] = (),
    time: str,
    version: int = STORE_VERSION,
) -> JournalEntry:
    """As `append_entry`, in an open folder; the caller holds a lock."""
    if datetime.fromisoformat(time).tzinfo is None:
        raise ValueError(f"'{time}' has no zone")
    # The system's own errors get the file's name; those below have it already.
    with explaining(folder.shown(name), 0):
        is_new = folder.status(name) is None
    if is_new:
        entry, line = _make_entry(
            None, kind=kind, facts=facts, files=files, time=time, version=version
        )
        write_new_in(folder, name, line)
        return entry
    content = read_file_in(folder, name, limit=_LIMIT)
    # A kill may have left the empty file of a medium without links, see `memtool.store.writing`.
    state = parse_journal(content, may_be_empty=True)
    last = state.entries[-1] if state.entries else None
    size = len(content.data)
    if state.torn is not None:
        kept: dict[str, JsonValue] = {
            "line": state.torn.line,
            "size": state.torn.size,
            "sha256": state.torn.sha256,
            "text": state.torn.text,
        }
        last, line = _make_entry(
            last, kind=TORN_LINE, facts=kept, files=(), time=time, version=version
        )
        # The unfinished line goes, and the line that keeps what it held takes its place.
        append_line(folder, name, line, size=size, keep=size - state.torn.size)
        size += len(line) - state.torn.size
    entry, line = _make_entry(last, kind=kind, facts=facts, files=files, time=time, version=version)
    append_line(folder, name, line, size=size)
    return entry


def parse_journal(content: FileContent, *, may_be_empty: bool = False) -> JournalState:
    """Verify a journal's bytes; see the module's text for the rules.

    Args:
        content: The file as it was read.
        may_be_empty: Take a file without a byte as a journal that is yet to begin.

    Raises:
        JournalError: names the file and the first bad line.
    """
    shown = str(content.path)
    data = content.data
    if not data and not may_be_empty:
        raise _bad(shown, None, "the journal is empty: its lines were cut off", "empty-journal")
    torn = None
    start = data.rfind(b"\n", 0, -1) + 1
    if data and _is_torn(data[start:], first=start == 0):
        line, data = data[start:], data[:start]
        torn = TornLine(
            line=data.count(b"\n") + 1,
            size=len(line),
            sha256=compute_sha256(line),
            text=line[:_TORN_TEXT].decode("latin-1"),
        )
    entries: list[JournalEntry] = []
    try:
        start = 0
        while start < len(data):
            end = data.find(b"\n", start) + 1 or len(data)
            last = entries[-1] if entries else None
            entries.append(_parse_line(data[start:end], len(entries) + 1, last, shown))
            start = _parse_usual(data, end, entries)
    except JournalError:
        # The fault of an earlier line is named first.
        _require_canonical(entries, shown)
        raise
    _require_canonical(entries, shown)
    return JournalState(entries=tuple(entries), torn=torn)


def _is_torn(line: bytes, *, first: bool) -> bool:
    """Whether a last line is what a crash leaves: no end, or blocks that were never written."""
    # After a power loss some file systems show the new length with zeros where no data came.
    if line.endswith(b"\n") and b"\0" not in line:
        return False
    # What does not even begin as an entry was never a journal of ours.
    return not first or line[0] == 0 or line.startswith(_BEGIN) or _BEGIN.startswith(line)


def _make_entry(
    last: JournalEntry | None,
    *,
    kind: str,
    facts: Mapping[str, JsonValue],
    files: Iterable[JournalFile],
    time: str,
    version: int,
) -> tuple[JournalEntry, bytes]:
    """The entry that follows `last`, and its line."""
    if last is not None and last.version > version:
        raise ValueError(f"version {version} cannot follow version {last.version}")
    kept = tuple(files)
    is_same = last is not None and last.version == version
    members: dict[str, Any] = {} if is_same else {"format": f"{_FORMAT_NAME}{version}"}
    members |= {
        "number": last.number + 1 if last else 1,
        "time": time,
        "kind": kind,
        "facts": facts,
        "files": [{"path": file.path, "sha256": file.sha256} for file in kept],
        "previous": last.sha256 if last else NO_PREVIOUS,
    }
    # Without the opening brace; `allow_nan` would write what is not JSON.
    rest = _encode(members)[1:].encode("ascii") + b"\n"
    digest = compute_sha256(rest)
    # From the text, not from what was given: the same entry that a reader will get.
    entry = _entry_of(json.loads(b"{" + rest), digest, version)
    return entry, _BEGIN + digest.encode("ascii") + _END + rest


def _parse_line(line: bytes, number: int, last: JournalEntry | None, shown: str) -> JournalEntry:
    """An entry; whether its facts are written as they must be is left to `_require_canonical`."""
    rest = line[_HEAD_LENGTH:]
    own = compute_sha256(rest)
    # Before anything is parsed: the cause is then named as what it is, a changed line.
    if not line.startswith(_BEGIN + own.encode("ascii") + _END):
        if line[:_HEAD_LENGTH].startswith(_BEGIN) and line[:_HEAD_LENGTH].endswith(_END):
            message = "the entry was changed: its own digest does not match"
            raise _bad(shown, number, message, "entry-changed")
        raise _bad(shown, number, "this is not a journal entry", "not-a-journal-entry")
    members = _members_of(rest, number, shown)
    version = _require_format(members.pop("format", None), last, number, shown)
    # Their order, too.
    if tuple(members) != _KEYS:
        unknown = ", ".join(map(ascii, sorted(set(members) - set(_KEYS)))) or "none"
        raise _bad(
            shown,
            number,
            f"the entry has not the members of version {version} (unknown: {unknown})",
            "unknown-member",
        )
    if not _has_right_types(members):
        raise _bad(shown, number, "a member of the entry has the wrong type", "wrong-type")
    entry = _entry_of(members, own, version)
    expected = last.sha256 if last else NO_PREVIOUS
    if entry.previous != expected or entry.number != (last.number + 1 if last else 1):
        raise _bad(
            shown,
            number,
            "the entry does not follow the one before it: lines were removed, added, changed"
            " or put in another order",
            "chain-broken",
        )
    return entry


def _parse_usual(data: bytes, start: int, entries: list[JournalEntry]) -> int:
    """Add the lines from `start` that are as most are, without files; returns where the next is.

    Each entry is the same that `_parse_line` gives, which alone names faults. This is one loop
    and not a function for each line: a long journal then takes two thirds of the time.
    """
    # By name they would be looked up for each of a hundred thousand lines.
    match, sha256, load = _USUAL.match, hashlib.sha256, pydantic_core.from_json
    version, number, previous = entries[-1].version, entries[-1].number, entries[-1].sha256
    while found := match(data, start):
        own, rest, given, time, kind, facts, before = found.groups()
        digest = sha256(rest).hexdigest()
        if (
            digest != own.decode("ascii")
            or before.decode("ascii") != previous
            or given != b"%d" % (number + 1)
        ):
            break
        text = facts.decode("latin-1")
        try:
            loaded = load(text)
        except ValueError:
            break
        number += 1
        # By place, which is twice as quick as by name.
        entries.append(
            JournalEntry(
                version,
                number,
                time.decode("ascii"),
                kind.decode("ascii"),
                loaded,
                text,
                (),
                previous,
                digest,
            )
        )
        previous = digest
        start = found.end()
    return start


def _require_canonical(entries: Sequence[JournalEntry], shown: str) -> None:
    """Written again, facts must be the same text: no key comes twice, no number has two writings.

    Many are written at once, which takes half the time. As no JSON object is the beginning of
    another one, the whole is only the same if each is.
    """
    for start in range(0, len(entries), _AT_ONCE):
        some = entries[start : start + _AT_ONCE]
        try:
            whole = _encode([entry.facts for entry in some])
            if whole == f"[{', '.join([entry.text for entry in some])}]":
                continue
        except ValueError:
            # One is named below.
            pass
        for entry in some:
            _members_of(entry.text[1:].encode("latin-1") + b"\n", entry.number, shown)


def _members_of(rest: bytes, number: int, shown: str) -> dict[str, Any]:
    try:
        members = json.loads("{" + rest.decode("utf-8"))
        text = _encode(members)
    except (ValueError, RecursionError) as error:
        raise _bad(shown, number, "the entry is not JSON", "not-json") from error
    # Written again it must be the same bytes: so no key comes twice, and no number has two
    # writings.
    if text[1:].encode("ascii") + b"\n" != rest:
        raise _bad(shown, number, "the entry is not written as benchimage writes", "not-canonical")
    assert isinstance(members, dict)
    return members


def _require_format(given: object, last: JournalEntry | None, number: int, shown: str) -> int:
    """The version of a line; only the first of a version names it, and none goes back."""
    if given is None and last is not None:
        return last.version
    match = _FORMAT.fullmatch(given) if isinstance(given, str) else None
    version = int(match[1]) if match else 0
    if version > JOURNAL_VERSION:
        raise _bad(
            shown,
            number,
            f"the journal was made by a newer benchimage: its version is {version},"
            f" and this one knows {JOURNAL_VERSION}",
            "newer-version",
            "update benchimage",
        )
    if version > (last.version if last else 0):
        return version
    raise _bad(shown, number, "the entry names no known journal format", "unknown-format")


def _has_right_types(members: dict[str, Any]) -> bool:
    files = members["files"]
    return (
        # Not `isinstance`: true and false are integers to Python.
        type(members["number"]) is int
        and isinstance(members["time"], str)
        and isinstance(members["kind"], str)
        and isinstance(members["previous"], str)
        and isinstance(members["facts"], dict)
        and isinstance(files, list)
        and all(
            isinstance(file, dict)
            and tuple(file) == ("path", "sha256")
            and all(isinstance(value, str) for value in file.values())
            for file in files
        )
    )


def _entry_of(members: dict[str, Any], digest: str, version: int) -> JournalEntry:
    return JournalEntry(
        version=version,
        number=members["number"],
        time=members["time"],
        kind=members["kind"],
        facts=members["facts"],
        text=_encode(members["facts"]),
        files=tuple(
            JournalFile(path=file["path"], sha256=file["sha256"]) for file in members["files"]
        ),
        previous=members["previous"],
        sha256=digest,
    )


def _open_parent(path: Path) -> Folder:
    try:
        return open_folder(path.parent)
    except (FileNotFoundError, NotADirectoryError) as error:
        raise UsageError(
            "the folder does not exist",
            code="no-such-folder",
            next_step="check the path",
            file=str(path.parent),
        ) from error
    except OSError as error:
        raise StoreError(
            f"the folder cannot be opened: {error.strerror}",
            code="cannot-open-folder",
            next_step="check the medium and its permissions",
            file=str(path.parent),
        ) from error


def _bad(
    shown: str, line: int | None, message: str, code: str, next_step: str = _KEEP
) -> JournalError:
    return JournalError(message, code=code, next_step=next_step, file=shown, line=line)
