"""Every reader of the tool as a function of bytes, with what must hold for any of them.

A reader answers, or refuses with an error of ours that is one sentence. Whatever else comes
out of it is a fault of the reader: `run_target` lets it through.
"""

from __future__ import annotations

import atexit
import hashlib
import io
import json
import re
import shutil
import tempfile
import unicodedata
from collections.abc import Callable
from contextlib import redirect_stderr, redirect_stdout, suppress
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path
from typing import Any

import click

from memtool.cli.main import benchimage
from memtool.core.chip import find_chip
from memtool.core.job.job import build_job
from memtool.core.report.photo import Picture, check_picture
from memtool.core.span import parse_number, parse_span
from memtool.core.texts.stored_forms import parse_stored_form
from memtool.core.texts.vin import check_digit_state, explain_vin, mask_vin, parse_vin
from memtool.errors import (
    InputError,
    JournalError,
    LayoutError,
    MemtoolError,
    StoreError,
    UsageError,
)
from memtool.formats.codec import ImageFormat, encode_image, parse_image
from memtool.formats.layout_toml.drafts import edit_layout_text, read_guess_texts
from memtool.formats.layout_toml.parsing import parse_layout
from memtool.render.text.job_view import job_document, render_job
from memtool.render.words import safe_text
from memtool.store.journal import append_entry, parse_journal
from memtool.store.layouts import read_layout
from memtool.store.reading import FileContent
from memtool.store.records import make_record, parse_record

MEMORY = Path("/dev/shm")
MOST = 64 * 1024
"""Bytes of one input; longer ones show nothing new here."""


@dataclass(frozen=True)
class JobEvent:
    """An entry of a job's journal."""

    number: int
    kind: str
    facts: dict[str, Any]
    version: int = 1
    time: str = "2026-03-01T10:00:00+01:00"

    @property
    def text(self) -> str:
        """The facts as a journal's line has them."""
        return json.dumps(self.facts)


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


def edit_layout(data: bytes) -> None:
    """A review of any sound layout: what comes out is sound, and has what was to stay."""
    text = data.decode("utf-8", "replace")
    before = parse_layout(text)
    guesses = read_guess_texts(text)
    if [guess.name for guess in guesses if guess.table == "checksum"] != [
        rule.name for rule in before.checksums
    ]:
        raise AssertionError("a checksum got lost")
    after = parse_layout(edit_layout_text(text, reviewed="by N. N."))
    if after != replace(before, reviewed=True):
        raise AssertionError("a review changed more than its mark")
    for guess in guesses[:3]:
        with suppress(LayoutError):
            gone = parse_layout(edit_layout_text(text, remove=[guess.name]))
            if gone.region_named(guess.name) is not None:
                raise AssertionError("what was taken out is there")


def read_job_facts(data: bytes) -> None:
    """Entries that follow the opening of a job: a line each, its kind and its facts."""
    events = [JobEvent(number=1, kind="job-opened", facts={})]
    for line in data.split(b"\n"):
        try:
            kind, facts = json.loads(line)
        except (ValueError, TypeError, RecursionError):
            return
        if not isinstance(kind, str) or not isinstance(facts, dict):
            return
        events.append(JobEvent(number=len(events) + 1, kind=kind, facts=facts))
    try:
        job = build_job(events)
    except ValueError as error:
        raise JournalError(str(error).replace("\n", " ")[:2000], code="journal-content") from error
    require_plain(render_job("job", job))
    json.dumps(job_document("job", job), ensure_ascii=True)


def look_at_picture(data: bytes) -> None:
    found = check_picture(data)
    if isinstance(found, Picture) and (found.width < 1 or found.height < 1):
        raise AssertionError("a picture without a size")


def read_words(data: bytes) -> None:
    """What a person types: spans, numbers, VINs, chips and stored forms."""
    text = data.decode("utf-8", "replace")
    for parse in (parse_span, parse_number, parse_vin, parse_stored_form, check_digit_state):
        with suppress(ValueError):
            parse(text)
    find_chip(text)
    explain_vin(text)
    mask_vin(text)
    require_plain(safe_text(text))


def read_command_line(data: bytes) -> None:
    """Words behind `benchimage`, as far as the command that they name; it is not run."""
    words = data.decode("utf-8", "surrogateescape").replace("\0", "").split("\n")
    silent = io.StringIO()
    with redirect_stdout(silent), redirect_stderr(silent):
        context = click.Context(benchimage, info_name="benchimage")
        command: click.Command | None = benchimage
        try:
            while isinstance(command, click.Group) and words:
                _, command, words = command.resolve_command(context, words)
            if command is not None and not isinstance(command, click.Group):
                command.make_context(command.name, words, parent=context)
        except click.exceptions.Exit:
            pass
        except click.ClickException as error:
            require_plain(safe_text(error.format_message()))
        except UsageError as error:
            require_plain(safe_text(str(error)))


def require_plain(shown: str) -> None:
    """Nothing that acts on a terminal, the tool's own colours apart."""
    rest = re.sub(r"\x1b\[[0-9;]*m", "", shown).replace("\n", "")
    if any(unicodedata.category(sign) in ("Cc", "Cs", "Zl", "Zp") for sign in rest):
        raise AssertionError(f"not plain: {rest!r}")


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
    "layout-edit": edit_layout,
    "job-facts": read_job_facts,
    "picture": look_at_picture,
    "words": read_words,
    "command-line": read_command_line,
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
