"""Events that speak of a module's memories and of their reads."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar, Literal

from memtool.core.job.events.event import Event
from memtool.core.job.order import says_nothing
from memtool.core.layouts.layout import ModuleKind
from memtool.core.reader_order import parse_reader_order
from memtool.core.role import Role


@dataclass(frozen=True, slots=True, kw_only=True)
class MemoryDeclared(Event):
    """A memory that the modules of this job have, whether it is read yet or not."""

    kind: ClassVar[str] = "memory-declared"
    chip: str

    def __post_init__(self) -> None:
        if not self.memory:
            raise ValueError("'memory'")


@dataclass(frozen=True, slots=True, kw_only=True)
class ReaderOrderSet(Event):
    """In which order the technician's reader writes a memory's bytes into its files."""

    kind: ClassVar[str] = "reader-order-set"
    order: str
    how: Literal["named", "found", "asked"]
    """A person named it, the reads told it, or a person was asked."""
    reason: str
    """What speaks for it, a sentence."""

    def __post_init__(self) -> None:
        if not self.memory:
            raise ValueError("'memory'")
        parse_reader_order(self.order)


@dataclass(frozen=True, slots=True, kw_only=True)
class BackupRestored(Event):
    """A backup that was given back as a file, to be written to a module again."""

    kind: ClassVar[str] = "backup-restored"
    backup: str
    role: Role
    out: str
    """Path as the user named it."""
    sha256: str
    """Digest of the image in it."""
    file_sha256: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadWithdrawn(Event):
    """A read that does not count any more; it stays in the store and in the report."""

    kind: ClassVar[str] = "read-withdrawn"
    role: Role
    backup: str
    """Id of the backup whose reads it counted among."""
    name: str
    """Of the file, as it was when it was given."""
    sha256: str
    """Digest of the image in it."""
    reason: str

    def __post_init__(self) -> None:
        if not self.memory or says_nothing(self.reason):
            raise ValueError("'memory' or 'reason'")


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadsTakenOver(Event):
    """The job began with the reads of an older one."""

    kind: ClassVar[str] = "reads-taken-over"
    job: str
    """Its id: the first digits of the digest of its journal's first line."""
    folder: str
    """Name of its folder."""
    work_order: str | None
    module_kind: ModuleKind | None
    """What the older order said that the module is."""
    reason: str
    sitting: str | None
    """Of the finished reads, which are the baseline; None: the older job was not finished."""

    def __post_init__(self) -> None:
        if says_nothing(self.reason):
            raise ValueError("'reason'")

    @property
    def name(self) -> str:
        """How people know the older job."""
        return f"order {self.work_order}" if self.work_order else f"the job '{self.folder}'"

    @property
    def about(self) -> str:
        """What the older order was about, in words."""
        kind = self.module_kind
        if kind is None:
            return "a module of no kind on record"
        return f"{'an' if kind[0] in 'aeiou' else 'a'} {kind.replace('-', ' ')} module"
