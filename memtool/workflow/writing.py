"""Intent, files, event: how every command writes into a job, so that a cut is made good.

First the journal says which files are about to come, then they are written, then the event
that speaks of them is added. Cut off in between, the files are there and the journal knows
whose they are: the same command, given again, takes them over and adds the event.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

from memtool.errors import MemtoolError, RefusalError
from memtool.store.reading import compute_sha256, read_file
from memtool.store.writing import remove_own, write_new
from memtool.workflow.late import jobs, kinds

if TYPE_CHECKING:
    from memtool.core.job.events.event import Event
    from memtool.workflow.jobs import OpenJob


class NewFile(NamedTuple):
    """One file that a command is about to write."""

    path: Path
    data: bytes
    before_publish: Callable[[], None] | None = None
    """Called just before the name appears; what it raises leaves nothing."""
    after: Callable[[], None] | None = None
    """Called when the file is there; what it raises ends the command before its event."""

    @property
    def sha256(self) -> str:
        """Of the content."""
        return compute_sha256(self.data)


class Step(NamedTuple):
    """An event with the files that it tells of."""

    event: Event
    new: Sequence[NewFile]
    """In the order of writing."""
    files: Sequence[tuple[str, str]] = ()
    """(path, SHA-256) of the files that the event's entry speaks of."""


def write_files(
    opened: OpenJob,
    event: Event,
    new: Sequence[NewFile],
    *,
    files: Sequence[tuple[str, str]] = (),
    now: datetime,
) -> OpenJob:
    """Write files into a job, or for it, and add the event that tells of them.

    Args:
        opened: The job.
        event: What the journal says when all files are there.
        new: In the order of writing.
        files: (path, SHA-256) of the files that the event's entry speaks of.
        now: Time of the entries, with zone.

    Raises:
        RefusalError: a path exists, and is not what an earlier run of this very command left.
        StoreError: a file or an entry was not written.
    """
    return write_steps(opened, [Step(event=event, new=new, files=files)], now=now)


def write_steps(opened: OpenJob, steps: Sequence[Step], *, now: datetime) -> OpenJob:
    """Write the files of several events under one intent: all of them, or none.

    Where one of several cannot be written, those that this run wrote are taken away again.
    Cut off, the same command takes over what is there: the last event alone ends the intent.

    Raises:
        As `write_files`.
    """
    new = [file for step in steps for file in step.new]
    digests = {file.path: file.sha256 for file in new}
    # Asked before the intent, which would itself make each of them announced.
    there = {path: is_left_over(opened, path, digest) for path, digest in digests.items()}
    for path, is_ours in there.items():
        if not is_ours:
            require_free(path)
    intent = kinds.FilesIntended(
        purpose=steps[0].event.kind,
        memory=steps[0].event.memory if len(steps) == 1 else None,
        files=tuple(
            kinds.IntendedFile(path=_journal_path(opened, path), sha256=digest)
            for path, digest in digests.items()
        ),
    )
    # Durable before the first file: whatever is cut off behind it, the journal knows whose the
    # files are.
    opened = jobs.append_event(opened, intent, now=now)
    number = opened.job.events[-1].number
    written: list[NewFile] = []
    try:
        for file in new:
            _write(file, written, digests[file.path], is_there=there[file.path])
    except MemtoolError:
        # Files of one event stay, and the same command takes them over. Of several events some
        # alone would stand for all.
        if len(steps) > 1:
            # The newest first, so that a cut in here leaves the state of some moment before.
            for file in reversed(written):
                with suppress(MemtoolError):
                    remove_own(file.path, digests[file.path])
        raise
    for step in steps:
        # Cut off before the last event, the intent stays open and the command can be given again.
        ends = number if step is steps[-1] else None
        opened = jobs.append_event(
            opened, replace(step.event, intent=ends), files=step.files, now=now
        )
    return opened


def _write(file: NewFile, written: list[NewFile], sha256: str, *, is_there: bool) -> None:
    if not is_there:
        write_new(file.path, file.data, before_publish=file.before_publish, sha256=sha256)
        written.append(file)
    # Taken over, but the caller's last word is still asked for.
    elif file.before_publish is not None:
        file.before_publish()
    if file.after is not None:
        file.after()


def require_free(path: Path | None, opened: OpenJob | None = None) -> None:
    """Refuse an output that exists, before any work is done.

    Args:
        path: None: nothing is to be written.
        opened: The job; what a command that was cut off has left there passes, and its bytes
            are judged when it is written.

    Raises:
        RefusalError: it exists.
    """
    if path is None or not (path.exists() or path.is_symlink()):
        return
    if opened is not None:
        wanted = _journal_path(opened, path)
        if wanted in {_journal_path(opened, left) for left in find_left_over(opened)}:
            return
    raise RefusalError(
        "the output exists already",
        code="output-exists",
        next_step="choose another name",
        file=str(path),
    )


def is_left_over(opened: OpenJob, path: Path, sha256: str) -> bool:
    """Whether this file is what a command that was cut off had announced and written."""
    wanted = kinds.IntendedFile(path=_journal_path(opened, path), sha256=sha256)
    if not any(wanted in intent.files for intent in opened.job.unfinished):
        return False
    try:
        return not path.is_symlink() and path.is_file() and read_file(path).sha256 == sha256
    except MemtoolError:
        return False


def choose_path(opened: OpenJob, folder: Path, stem: str, suffix: str, sha256: str) -> Path:
    """The next free numbered path; or the one that a cut-off run has written with this content."""
    number = 1
    while (path := folder / f"{stem}-{number}{suffix}").exists():
        if is_left_over(opened, path, sha256):
            return path
        number += 1
    return jobs.free_path(folder, stem, suffix)


def find_left_over(opened: OpenJob) -> tuple[Path, ...]:
    """The files that commands which were cut off have left, announced and not told of since."""
    return tuple(
        path
        for intent in opened.job.unfinished
        for file in intent.files
        if is_left_over(opened, path := opened.folder / file.path, file.sha256)
    )


def _journal_path(opened: OpenJob, path: Path) -> str:
    """As an intent names a file: inside the job relative to it, else absolute."""
    # The parent alone is resolved: a link in the file's own place must not lead elsewhere.
    whole, folder = path.parent.resolve() / path.name, opened.folder.resolve()
    return (whole.relative_to(folder) if whole.is_relative_to(folder) else whole).as_posix()
