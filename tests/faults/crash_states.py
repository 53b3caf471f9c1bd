"""Every state that a power loss can leave on disk, enumerated from a recording.

While the store's code runs, each call that changes the disk is recorded. A file's bytes
are durable after ``fsync`` of the file, a name after ``fsync`` of its folder. At any moment
the disk may hold any part of what is not durable yet, in any combination; a write that is
not durable may also have left its first half, or only its length, as zeros.

The same rules stand behind the crash tests of SQLite and of file system research; the
model is stricter than most file systems are.
"""

from __future__ import annotations

import fcntl
import itertools
import os
import stat
import sys
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any
from unittest import mock

RECORDED = ("open", "write", "ftruncate", "fsync", "link", "unlink", "mkdir", "rename")
MOST_FREE = 9
"""Operations that are not durable at one moment; more would be too many combinations."""


@dataclass(frozen=True)
class Op:
    """One change. `place` is the inode or folder whose ``fsync`` makes it durable."""

    kind: str
    place: str
    name: str = ""
    inode: int = 0
    offset: int = 0
    data: bytes = b""


@dataclass
class Recording:
    """All changes in order, with the syncs between them."""

    root: Path
    ops: list[Op] = field(default_factory=list)
    inodes: dict[int, int] = field(default_factory=dict)
    """Descriptor to inode number of the model."""
    known: dict[tuple[int, int], int] = field(default_factory=dict)
    """Real device and inode to the model's."""
    start: dict[str, bytes | None] = field(default_factory=dict)
    """What was durable before: path to bytes, None for a folder."""

    def inode_of(self, descriptor: int) -> int:
        status = os.fstat(descriptor)
        key = (status.st_dev, status.st_ino)
        return self.known.setdefault(key, len(self.known) + 1)

    def folder_of(self, name: str, dir_fd: int | None) -> str:
        path = Path(name) if dir_fd is None else _path_of(dir_fd) / name
        return str(path.relative_to(self.root))


def _path_of(descriptor: int) -> Path:
    return Path(f"/proc/self/fd/{descriptor}").readlink()


@contextmanager
def recording(root: Path) -> Iterator[Recording]:
    """Record what the body changes under `root`; what is there before is durable."""
    record = Recording(root)
    for path in sorted(root.rglob("*")):
        record.start[str(path.relative_to(root))] = path.read_bytes() if path.is_file() else None
        if path.is_file():
            status = path.stat()
            number = record.known.setdefault((status.st_dev, status.st_ino), len(record.known) + 1)
            record.ops.append(Op("link", "", str(path.relative_to(root)), number))
            record.ops.append(Op("write", "", "", number, 0, path.read_bytes()))
        else:
            record.ops.append(Op("mkdir", "", str(path.relative_to(root))))
    with ExitStack() as stack:
        for name in RECORDED:
            wrapper = _wrapper(record, name, getattr(os, name))
            stack.enter_context(mock.patch.object(os, name, wrapper))
        yield record


def _wrapper(record: Recording, name: str, real: Callable[..., Any]) -> Callable[..., Any]:
    def call(*arguments: Any, **options: Any) -> Any:
        if not _is_ours(sys._getframe(1)):
            return real(*arguments, **options)
        existed = name == "open" and _exists(arguments[0], options.get("dir_fd"))
        position = os.lseek(arguments[0], 0, os.SEEK_CUR) if name == "write" else 0
        if name == "write" and _appends(arguments[0]):
            position = os.fstat(arguments[0]).st_size
        renamed = _inode_at(record, arguments, options) if name == "rename" else 0
        result = real(*arguments, **options)
        _note(record, name, arguments, options, result, existed, position, renamed)
        return result

    return call


def _is_ours(frame: Any) -> bool:
    """Whether the store's code called, also through a fault that did not come to be."""
    module = frame.f_globals.get("__name__", "")
    if module.endswith("faulty_os"):
        module = frame.f_back.f_globals.get("__name__", "")
    return str(module).startswith("memtool.store")


def _appends(descriptor: int) -> bool:
    return bool(fcntl.fcntl(descriptor, fcntl.F_GETFL) & os.O_APPEND)


def _exists(path: Any, dir_fd: int | None) -> bool:
    try:
        os.lstat(path, dir_fd=dir_fd)
    except OSError:
        return False
    return True


def _inode_at(record: Recording, arguments: tuple[Any, ...], options: dict[str, Any]) -> int:
    status = os.lstat(arguments[0], dir_fd=options.get("src_dir_fd"))
    return record.known.setdefault((status.st_dev, status.st_ino), len(record.known) + 1)


def _note(
    record: Recording,
    name: str,
    arguments: tuple[Any, ...],
    options: dict[str, Any],
    result: Any,
    existed: bool,
    position: int,
    renamed: int,
) -> None:
    ops = record.ops
    if name == "open":
        if stat.S_ISREG(os.fstat(result).st_mode) and not existed and arguments[1] & os.O_CREAT:
            path = record.folder_of(str(arguments[0]), options.get("dir_fd"))
            ops.append(Op("link", _above(path), path, record.inode_of(result)))
    elif name == "write":
        data = bytes(arguments[1])[:result]
        inode = record.inode_of(arguments[0])
        ops.append(Op("write", f"#{inode}", "", inode, position, data))
    elif name == "ftruncate":
        inode = record.inode_of(arguments[0])
        ops.append(Op("truncate", f"#{inode}", "", inode, arguments[1]))
    elif name == "fsync":
        if stat.S_ISDIR(os.fstat(arguments[0]).st_mode):
            if not _path_of(arguments[0]).is_relative_to(record.root):
                return
            place = record.folder_of(".", arguments[0])
        else:
            place = f"#{record.inode_of(arguments[0])}"
        ops.append(Op("sync", place))
    elif name == "link":
        path = record.folder_of(str(arguments[1]), options.get("dst_dir_fd"))
        source = str(arguments[0])
        if source.startswith("/proc/self/fd/"):
            inode = record.inode_of(int(source.rpartition("/")[2]))
        else:
            status = os.lstat(source, dir_fd=options.get("src_dir_fd"))
            inode = record.known[(status.st_dev, status.st_ino)]
        ops.append(Op("link", _above(path), path, inode))
    elif name == "unlink":
        path = record.folder_of(str(arguments[0]), options.get("dir_fd"))
        ops.append(Op("unlink", _above(path), path))
    elif name == "mkdir":
        path = record.folder_of(str(arguments[0]), options.get("dir_fd"))
        ops.append(Op("mkdir", _above(path), path))
    else:
        old = record.folder_of(str(arguments[0]), options.get("src_dir_fd"))
        new = record.folder_of(str(arguments[1]), options.get("dst_dir_fd"))
        ops.append(Op("link", _above(new), new, renamed))
        ops.append(Op("unlink", _above(old), old))


def _above(path: str) -> str:
    return str(Path(path).parent)


def states(record: Recording, upto: int) -> Iterator[dict[str, bytes | None]]:
    """Every tree that the disk may hold after the first `upto` operations, without repeats."""
    done = record.ops[:upto]
    synced_later: set[str] = {""}
    durable: list[bool] = [False] * len(done)
    for position in range(len(done) - 1, -1, -1):
        if done[position].kind == "sync":
            synced_later.add(done[position].place)
        else:
            durable[position] = done[position].place in synced_later
    free = [i for i, op in enumerate(done) if op.kind != "sync" and not durable[i]]
    assert len(free) <= MOST_FREE, f"{len(free)} operations are not durable at one moment"
    seen: set[tuple[tuple[str, bytes | None], ...]] = set()
    # Each free operation took effect, did not, or (a write) did so in part.
    choices = [
        ("no", "yes", "half", "zeros") if done[i].kind == "write" else ("no", "yes") for i in free
    ]
    for combination in itertools.product(*choices):
        chosen = dict(zip(free, combination, strict=True))
        tree = _replay(done, durable, chosen)
        key = tuple(sorted(tree.items()))
        if key not in seen:
            seen.add(key)
            yield tree


def _replay(done: list[Op], durable: list[bool], chosen: dict[int, str]) -> dict[str, bytes | None]:
    names: dict[str, int | None] = {}
    contents: dict[int, bytearray] = {}
    for position, op in enumerate(done):
        how = "yes" if durable[position] else chosen.get(position, "no")
        if op.kind == "sync" or how == "no":
            continue
        if op.kind == "mkdir":
            names[op.name] = None
        elif op.kind == "link":
            names[op.name] = op.inode
        elif op.kind == "unlink":
            names.pop(op.name, None)
        else:
            content = contents.setdefault(op.inode, bytearray())
            if op.kind == "truncate":
                del content[op.offset :]
            else:
                data = op.data
                if how == "half":
                    data = data[: len(data) // 2]
                elif how == "zeros":
                    data = bytes(len(data))
                content.extend(bytes(max(0, op.offset + len(data) - len(content))))
                content[op.offset : op.offset + len(data)] = data
    tree = {
        name: None if inode is None else bytes(contents.get(inode, b""))
        for name, inode in names.items()
    }
    # A name inside a folder that is not there is not there either.
    return {
        name: data
        for name, data in tree.items()
        if all(str(above) in tree for above in Path(name).parents if str(above) != ".")
    }


def build(tree: dict[str, bytes | None], root: Path) -> None:
    """Put such a tree on disk."""
    for name in sorted(tree):
        data = tree[name]
        if data is None:
            (root / name).mkdir()
        else:
            (root / name).write_bytes(data)
