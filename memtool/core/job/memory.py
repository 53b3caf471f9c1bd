"""A module is its memories: what the job knows of each, and of its reads."""

from __future__ import annotations

from dataclasses import dataclass

from memtool.core.chip import find_chip
from memtool.core.job.events.kinds import LayoutChosen, ReadsBackedUp
from memtool.core.job.events.memory_kinds import ReaderOrderSet
from memtool.core.read_options import PLAIN
from memtool.core.role import Role


def name_of_chip(chip: str) -> str:
    """The name of a memory that nobody gave a name: its chip's, unknown ones kept as they are."""
    known = find_chip(chip)
    return chip if known is None else known.name.lower()


def tell_reader_order(said: ReaderOrderSet, *, with_reason: bool = True) -> str:
    """In which order the reader writes, and what that means; with the reason who says so."""
    told = "Read, shown and written in the chip's order."
    if said.order != PLAIN:
        told = (
            f"Byte order of your reader's files: {said.order}. Shown here in the chip's order,"
            " written to files in the reader's."
        )
    return f"{told} {said.reason}" if with_reason else told


@dataclass(frozen=True, slots=True, kw_only=True)
class Memory:
    """One memory of one module."""

    name: str
    chip: str
    """As it was named first."""
    size: int
    """Defined bytes of its newest read."""
    backups: tuple[ReadsBackedUp, ...]
    """At least one, oldest first."""
    layout: LayoutChosen | None = None
    """The one chosen last for the memory of that name, in every module."""
    reader_order: str = PLAIN
    """How the reader writes its bytes into files, as it was settled last."""

    @property
    def newest(self) -> ReadsBackedUp:
        """The backup that stands for the memory."""
        return self.backups[-1]


@dataclass(frozen=True, slots=True, kw_only=True)
class Module:
    """One module of the job and its memories."""

    role: Role
    memories: tuple[Memory, ...] = ()
    """In the order in which their first reads came."""
    unreadable: str | None = None
    """Why it has no read; None where it has, or nobody said why."""

    def memory(self, name: str) -> Memory | None:
        """The memory of that name."""
        return next((memory for memory in self.memories if memory.name == name), None)
