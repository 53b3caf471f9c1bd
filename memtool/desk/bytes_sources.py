"""Which images the bytes screen can look at, and how they are loaded: as the commands do."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from memtool.core.role import Role
from memtool.core.words import count_of
from memtool.desk.bytes_lens import Lens, Named, look_at, look_at_reads
from memtool.render.words import safe_text
from memtool.workflow.context import Context
from memtool.workflow.jobs import TO_WRITE, OpenJob, load_backup_reads, require_role
from memtool.workflow.keeping_reads import find_counting
from memtool.workflow.loading import LoadedRead
from memtool.workflow.showing import choose_shown

MOST_IMAGES = 2
"""Images of different modules that are laid beside each other."""


@dataclass(frozen=True, slots=True)
class Pick:
    """What is looked at: one or two images, or all reads of one memory of one module."""

    names: tuple[str, ...] = ()
    """Names of the job's images, or paths; more than `MOST_IMAGES` are reads of one memory."""
    reads_of: tuple[Role, str] | None = None
    """Role and memory; `names` is empty then."""


def list_picks(opened: OpenJob | None, first: tuple[str, ...]) -> Iterator[tuple[Pick, str]]:
    """What can be looked at in a job, with its words; with `first` what can lie beside it."""
    for name, words in list_images(opened):
        yield Pick((*first, name)), f"{name}  ({words})"
    for role, memory, words in () if first else list_reads(opened):
        yield Pick(reads_of=(role, memory)), f"{words}, against each other"


def list_images(opened: OpenJob | None) -> Iterator[tuple[str, str]]:
    """(name, words) of each image that the job has."""
    if opened is None:
        return
    job = opened.job
    for memory in job.memories:
        behind = f"/{memory}" if len(job.memories) > 1 else ""
        for role in Role:
            backup = job.newest_backup(role, memory)
            if backup is not None:
                yield f"{role.value}{behind}", _words(job.chip_of(memory), backup.size)
        made = job.blankings_of(memory)
        if made:
            yield f"{TO_WRITE}{behind}", f"file to program, {safe_text(made[-1].copy)}"


def list_reads(opened: OpenJob | None) -> Iterator[tuple[Role, str, str]]:
    """(role, memory, words) of each memory with several reads that count."""
    if opened is None:
        return
    for memory in opened.job.memories:
        for role in Role:
            counting = find_counting(opened, role, memory)
            if counting is not None and counting.read_count > 1:
                words = f"{count_of(counting.read_count, 'read')} of {role.value}/{memory}"
                yield role, memory, words


def _words(chip: str, size: int) -> str:
    return f"{safe_text(chip)}, {count_of(size, 'byte')}"


def load_lens(context: Context, pick: Pick) -> Lens:
    """The images that were picked, with the layout that the job or the library has for them.

    Nothing is written: looking is no event.

    Raises:
        MemtoolError: an image is not there, not what it claims to be, or lost from the store.
    """
    if pick.reads_of is not None:
        return _load_reads(context, *pick.reads_of)
    reads = context.load_all(pick.names)
    look = choose_shown(context, pick.names, reads, named=None, from_library=True)
    named = [_named(name, read) for name, read in zip(pick.names, reads, strict=True)]
    if len(named) > MOST_IMAGES:
        return look_at_reads(named, shown=look.shown, reason=look.choice.reason)
    return look_at(named, layout=look.layout, shown=look.shown, reason=look.choice.reason)


def _load_reads(context: Context, role: Role, memory: str) -> Lens:
    opened = context.require_job()
    counting = (
        find_counting(opened, role, memory) or require_role(opened, context.store, role, memory)[0]
    )
    reads = load_backup_reads(context.store, counting)
    names = [f"{role.value}/{memory}"] * len(reads)
    look = choose_shown(context, names, reads, named=None, from_library=True)
    named = [_named(read.path, read) for read in reads]
    not_read = opened.job.not_read(memory)
    return look_at_reads(named, shown=look.shown, reason=look.choice.reason, not_read=not_read)


def _named(name: str, read: LoadedRead) -> Named:
    words = f"{count_of(read.image.size, 'byte')}, {read.format.value}"
    return Named(name=name, words=words, image=read.image)


def title_of(pick: Pick) -> str:
    """What is looked at, in short."""
    if pick.reads_of is not None:
        role, memory = pick.reads_of
        return f"reads of {role.value}/{memory}"
    if len(pick.names) > MOST_IMAGES:
        return f"{len(pick.names)} reads"
    return " / ".join(_short(name) for name in pick.names)


def _short(name: str) -> str:
    """A file without its folders; a name of the job's as it is."""
    return Path(name).name if Path(name).is_absolute() else name
