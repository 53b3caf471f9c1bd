"""A folder held open, so that a name in it cannot be led elsewhere between two calls.

Where the system has calls relative to an open folder (Linux, macOS), every name is looked
up in the very folder that was opened, even if its path is renamed or replaced meanwhile,
and a symbolic link in place of a file is refused. Elsewhere (Windows) the same calls go by
path, and links are refused by looking first.
"""

from __future__ import annotations

import errno
import os
import stat
from contextlib import nullcontext, suppress
from pathlib import Path
from types import TracebackType

BY_DESCRIPTOR = os.open in os.supports_dir_fd
"""Whether this system can open names relative to an open folder."""

OWN_FILE = 0o600
"""Mode of every file that is made. What lies in an image can open a vehicle, and an order
names its customer, so that it is the user's own, whatever the user's mask allows."""
_OWN_FOLDER = 0o700

_NO_FOLLOW = getattr(os, "O_NOFOLLOW", 0)
# No child gets the descriptor; Windows changes no line ends; a terminal of that name does not
# become ours.
_SAFE = getattr(os, "O_CLOEXEC", 0) | getattr(os, "O_BINARY", 0) | getattr(os, "O_NOCTTY", 0)
# What a file system answers that keeps no folder durable on request (FAT over some drivers,
# network shares): there is nothing to be done, and the write itself succeeded.
_NO_FOLDER_SYNC = frozenset({errno.EINVAL, errno.ENOTSUP, errno.EOPNOTSUPP, errno.ENOSYS})


def close_quietly(descriptor: int) -> None:
    """Close. An error here says nothing that ``fsync`` or the last read has not said already."""
    with suppress(OSError):
        os.close(descriptor)


class Folder:
    """An open folder; close it, or use it in a ``with`` statement.

    All methods raise plain `OSError`: what an error means is known by the caller alone.
    """

    __slots__ = ("_descriptor", "path")

    def __init__(self, path: Path, descriptor: int | None) -> None:
        """Made by `open_folder`, and by `folder` for one inside."""
        self.path = path
        self._descriptor = descriptor

    @property
    def descriptor(self) -> int | None:
        """The open folder for calls relative to it; None where the system has no such calls."""
        return self._descriptor

    def __enter__(self) -> Folder:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    def close(self) -> None:
        """Close it; closing again does nothing."""
        # Forgotten first: the system may give the number to another file right after, and a
        # second close would close that one.
        descriptor, self._descriptor = self._descriptor, None
        if descriptor is not None:
            close_quietly(descriptor)

    def shown(self, name: str) -> str:
        """The path of `name` for messages."""
        return str(self.path / name)

    def open(self, name: str, flags: int, mode: int = OWN_FILE) -> int:
        """Open a file of this folder and never a symbolic link; returns the descriptor."""
        if self._descriptor is None:
            # Looking first leaves a moment in which a link can be put there; without calls
            # relative to a folder no better answer exists.
            self._require_no_link(name)
            return os.open(self.path / name, flags | _SAFE, mode)
        return os.open(name, flags | _SAFE | _NO_FOLLOW, mode, dir_fd=self._descriptor)

    def status(self, name: str) -> os.stat_result | None:
        """What `name` is, links not followed; None if there is nothing of that name."""
        try:
            if self._descriptor is None:
                return (self.path / name).lstat()
            return os.stat(name, dir_fd=self._descriptor, follow_symlinks=False)
        except FileNotFoundError:
            return None

    def link(self, old: str, new: str) -> None:
        """Give the file `old` a second name; an existing `new` is an error."""
        # A link, unlike a rename, fails where the new name exists: it never overwrites.
        if self._descriptor is None:
            os.link(self.path / old, self.path / new)
        else:
            os.link(old, new, src_dir_fd=self._descriptor, dst_dir_fd=self._descriptor)

    def remove(self, name: str) -> None:
        """Take a name away."""
        if self._descriptor is None:
            (self.path / name).unlink()
        else:
            os.unlink(name, dir_fd=self._descriptor)

    def move(self, name: str, other: Folder, new: str) -> None:
        """Give `name` the new name in `other`. The caller makes sure that `new` is free."""
        if self._descriptor is None or other._descriptor is None:
            (self.path / name).rename(other.path / new)
        else:
            os.rename(name, new, src_dir_fd=self._descriptor, dst_dir_fd=other._descriptor)

    def replace(self, name: str, new: str) -> None:
        """Give `name` the new name in this folder, in place of what had it."""
        if self._descriptor is None:
            (self.path / name).replace(self.path / new)
        else:
            os.replace(name, new, src_dir_fd=self._descriptor, dst_dir_fd=self._descriptor)

    def names(self) -> list[str]:
        """Every name in the folder, sorted."""
        place = self.path if self._descriptor is None else self._descriptor
        return sorted(os.listdir(place))  # noqa: PTH208 - pathlib lists no open folder

    def make(self, name: str) -> None:
        """Make a folder inside, durably; one that exists stays as it is."""
        with suppress(FileExistsError):
            if self._descriptor is None:
                (self.path / name).mkdir(_OWN_FOLDER)
            else:
                os.mkdir(name, _OWN_FOLDER, dir_fd=self._descriptor)
        # One that exists may be of a run that was cut off before its name was durable.
        self.sync()

    def folder(self, name: str) -> Folder:
        """Open a folder inside; a symbolic link in its place is an error."""
        if self._descriptor is None:
            self._require_no_link(name)
            return open_folder(self.path / name)
        # O_DIRECTORY: a pipe or device of that name is refused and not opened, which could block.
        flags = os.O_RDONLY | os.O_DIRECTORY | _NO_FOLLOW | _SAFE
        return Folder(self.path / name, os.open(name, flags, dir_fd=self._descriptor))

    def close_to_others(self) -> None:
        """Take every permission from other users, where the file system keeps modes."""
        if self._descriptor is not None:
            with suppress(OSError):
                os.fchmod(self._descriptor, _OWN_FOLDER)

    def sync(self) -> None:
        """Make the folder's names durable, where its file system can do so."""
        if self._descriptor is None:
            return
        try:
            os.fsync(self._descriptor)
        except OSError as error:
            if error.errno not in _NO_FOLDER_SYNC:
                raise

    def _require_no_link(self, name: str) -> None:
        status = self.status(name)
        if status is not None and stat.S_ISLNK(status.st_mode):
            raise OSError(errno.ELOOP, os.strerror(errno.ELOOP), str(self.path / name))


def open_folder(path: Path, *, follow: bool = True) -> Folder:
    """Open a folder.

    Args:
        path: An existing folder.
        follow: False: a symbolic link in its place is an error.

    Raises:
        OSError: it does not exist, is no folder, or may not be read.
    """
    # O_DIRECTORY with O_NOFOLLOW says "not a directory" of a link on Linux; looking first
    # gives the error that names the link.
    if not follow and path.is_symlink():
        raise OSError(errno.ELOOP, os.strerror(errno.ELOOP), str(path))
    if not BY_DESCRIPTOR:
        if not stat.S_ISDIR(path.stat().st_mode):
            raise NotADirectoryError(errno.ENOTDIR, os.strerror(errno.ENOTDIR), str(path))
        return Folder(path, None)
    flags = os.O_RDONLY | os.O_DIRECTORY | _SAFE
    return Folder(path, os.open(path, flags if follow else flags | _NO_FOLLOW))


def make_folders(path: Path) -> None:
    """Make a folder and those above it, so that their names survive a power loss.

    Raises:
        OSError: one of them cannot be made.
    """
    # Upwards to the first that exists; made from there down, each name durable before the next.
    chain = [path]
    while chain[-1].name and not os.path.lexists(chain[-1]):
        chain.append(chain[-1].parent)
    for folder in reversed(chain):
        if not folder.name:
            continue
        # The last of the chain exists, and the folder above it may be closed to this user.
        may_fail = suppress(PermissionError) if os.path.lexists(folder) else nullcontext()
        with may_fail, open_folder(folder.parent) as above:
            above.make(folder.name)
