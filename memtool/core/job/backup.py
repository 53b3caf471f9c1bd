"""What a backup is: the reads of one chip, kept as files; and the proof that one was verified."""

from __future__ import annotations

from dataclasses import dataclass

from memtool.core.read_options import ReadOptions
from memtool.core.role import Role


@dataclass(frozen=True, slots=True, kw_only=True)
class BackupRead:
    """One file that came out of one pass of the reader."""

    name: str
    """The file's own name when it was added, without folders. Never used as a path."""
    file_sha256: str
    """Digest of the file as it was read; names the stored copy."""
    sha256: str
    """Digest of the image inside it."""
    size: int
    """Defined bytes of the image."""
    options: ReadOptions
    """How the file was understood, its format by name; the same again gives the same image."""

    def __post_init__(self) -> None:
        """A format that is guessed again later may be guessed otherwise."""
        if self.options.format is None:
            raise ValueError("the format of a backed-up file has a name")

    @property
    def format(self) -> str:
        """``raw``, ``intel-hex`` or ``s-record``."""
        return str(self.options.format)


@dataclass(frozen=True, slots=True, kw_only=True)
class Backup:
    """All reads of one chip of one module."""

    id: str
    role: Role
    chip: str
    reads: tuple[BackupRead, ...]
    """At least one, in the order given."""
    single_read_reason: str | None
    """Why there is only one read; None where there are several, or none was given."""
    added: str
    """ISO 8601 with zone."""

    @property
    def sha256(self) -> str:
        """Digest of the first read's image: the image that the entry stands for."""
        return self.reads[0].sha256

    @property
    def agree(self) -> bool | None:
        """Whether all reads hold the same image; None where there is only one."""
        if len(self.reads) < 2:
            return None
        return len({read.sha256 for read in self.reads}) == 1


@dataclass(frozen=True, slots=True, kw_only=True)
class BackupReceipt:
    """The stored copy of `entry` was just read back and hashed again, in this run.

    Only `memtool.store.backups` makes one. Functions that change an image ask for it,
    so that "no backup, no write" is a parameter and not a reminder.
    """

    entry: Backup
    image_sha256: str
    """Digest of the image that was parsed from the stored copy just now."""
