"""When the file of a read was changed last, against what the read is judged by.

A read of the module is younger than the file that was written to it. One that is not was made
with a wrong clock, as computers at readers often have (common practice, no source), or is
another file. The time of a file proves nothing: a copy made by hand has what time it likes.
"""

from __future__ import annotations

from datetime import datetime

from memtool.core.finding import Check
from memtool.core.job.events.kinds import StageChecked
from memtool.core.job.job import Job
from memtool.core.job.stage import Stage
from memtool.core.job.stages.answers import passed, undecided
from memtool.core.words import grouped_digest

_GRAIN = 2
"""Seconds: FAT keeps the time of a change as finely (Microsoft, FAT specification, DIR_WrtTime)."""
_SECOND = 1_000_000_000


def check_read_time(
    modified: int | None, *, made: str | None, what: str, is_equal: bool
) -> tuple[Check, ...]:
    """A note, or a point for a person, where a read is older than what it is judged by.

    Args:
        modified: When the read's file was changed last, in nanoseconds since 1970.
        made: When that was made, ISO 8601 with zone; None: nothing was.
        what: That in words, as "the file to program".
        is_equal: Whether the read's bytes are exactly that.
    """
    if modified is None or made is None:
        return ()
    then = datetime.fromisoformat(made)
    if modified // _SECOND >= int(then.timestamp()) - _GRAIN:
        return ()
    text = f"The file of this read has an older time ({tell_time(modified, made)}) than {what}"
    text += f" ({made[:16].replace('T', ' ')})."
    if is_equal:
        return (passed("read-time", f"{text} Its bytes are equal: the reader's clock is wrong."),)
    return (undecided("read-time", f"{text} Was it read afterwards, with a wrong clock?"),)


def check_given_before(
    job: Job, *, stage: Stage, memory: str | None, sha256: str, modified: int | None
) -> tuple[Check, ...]:
    """A point for a person where this very file, by bytes and time, was given for something else.

    Args:
        job: Its reads, and the reads of its other stages.
        stage: The one that judges the read now.
        memory: Of the read.
        sha256: Digest of the read's image.
        modified: When its file was changed last, in nanoseconds since 1970.
    """
    if modified is None:
        return ()
    for backup in job.backups:
        given = zip(backup.names, backup.read_digests, backup.read_times, strict=False)
        for name, digest, time in given:
            if (digest, time) == (sha256, modified):
                return (_given(name, f"a read of the {backup.role.value}"),)
    for check in job.stage_checks:
        is_other = (check.stage, check.memory) != (stage, memory)
        if is_other and (check.sha256, check.read_time) == (sha256, modified):
            return (_given(_name_of(check), f"the read {check.stage.value.replace('-', ' ')}"),)
    return ()


def tell_time(modified: int, like: str) -> str:
    """A file's time to the minute, in the zone of another time."""
    zone = datetime.fromisoformat(like).tzinfo
    shown = datetime.fromtimestamp(modified // _SECOND, tz=zone)
    return shown.isoformat(sep=" ", timespec="minutes")[:16]


def tell_given(check: StageChecked) -> str | None:
    """Where a read of the module came from, in one sentence; None where none was judged."""
    if check.copy is None or check.file_sha256 is None:
        return None
    time = "unknown" if check.read_time is None else tell_time(check.read_time, check.time)
    return (
        f"The technician gave the file '{_name_of(check)}' (file time {time}, SHA-256"
        f" {grouped_digest(check.file_sha256)}) as a read of the module; its bytes cannot"
        " show whether it is a copy."
    )


def _given(name: str, what: str) -> Check:
    text = f"This file has the same bytes and the same time as '{name}', which was given as {what}."
    return undecided("copied-read", f"{text} Was the module read again?")


def _name_of(check: StageChecked) -> str:
    return (check.subject or "").rpartition("/")[2]
