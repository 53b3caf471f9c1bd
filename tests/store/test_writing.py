"""Create-only durable writes: order of calls, read-back, fall-backs (F05 to F08, F15)."""

from __future__ import annotations

import errno
import hashlib
import os
import stat
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from memtool.errors import MemtoolError, RefusalError, StoreError, UsageError
from memtool.store import folder as folder_module
from memtool.store.folder import open_folder
from memtool.store.writing import UNFINISHED, append_line, write_new
from tests.faults.scene import scratch

DATA = bytes(range(256)) * 5000
"""More than one part of a write."""


@pytest.fixture
def tmp_path() -> Iterator[Path]:
    """In memory: what is told here does not depend on a disk, and a disk is slow."""
    with scratch() as folder:
        yield folder


def spy(monkeypatch: pytest.MonkeyPatch, *names: str) -> list[str]:
    """The names of these `os` functions in the order in which they are called."""
    called: list[str] = []
    for name in names:
        real = getattr(os, name)

        def call(*arguments: Any, name: str = name, real: Any = real, **options: Any) -> Any:
            if not called or called[-1] != name:
                called.append(name)
            return real(*arguments, **options)

        monkeypatch.setattr(os, name, call)
    return called


def refuse(*names: str, number: int = errno.EOPNOTSUPP) -> Callable[..., Any]:
    def call(*arguments: Any, **options: Any) -> Any:
        raise OSError(number, os.strerror(number))

    return call


def without_nameless_files(monkeypatch: pytest.MonkeyPatch) -> None:
    real = os.open

    def call(path: Any, flags: int, *arguments: Any, **options: Any) -> int:
        if flags & os.O_TMPFILE == os.O_TMPFILE:
            raise OSError(errno.EOPNOTSUPP, "not supported")
        return real(path, flags, *arguments, **options)

    monkeypatch.setattr(os, "open", call)


def without_links(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(os, "link", refuse(number=errno.EPERM))


def without_both(monkeypatch: pytest.MonkeyPatch) -> None:
    without_nameless_files(monkeypatch)
    without_links(monkeypatch)


def without_proc(monkeypatch: pytest.MonkeyPatch) -> None:
    real = os.link

    def call(source: Any, *arguments: Any, **options: Any) -> None:
        if str(source).startswith("/proc"):
            raise FileNotFoundError(errno.ENOENT, "no such file")
        real(source, *arguments, **options)

    monkeypatch.setattr(os, "link", call)


def without_descriptors(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(folder_module, "BY_DESCRIPTOR", False)


def as_on_windows(monkeypatch: pytest.MonkeyPatch) -> None:
    """By path alone, and with a rename that refuses a name that exists, as there."""
    without_descriptors(monkeypatch)
    monkeypatch.setattr(sys, "platform", "win32")
    real = os.rename

    def rename(old: Any, new: Any, **options: Any) -> None:
        if os.path.lexists(new):
            raise FileExistsError(errno.EEXIST, "exists")
        real(old, new, **options)

    monkeypatch.setattr(os, "rename", rename)


def everything(monkeypatch: pytest.MonkeyPatch) -> None:
    """The file system can do all that Linux knows."""


SYSTEMS = [
    everything,
    without_nameless_files,
    without_links,
    without_both,
    without_proc,
    without_descriptors,
    as_on_windows,
]
systems = pytest.mark.parametrize("system", SYSTEMS, ids=lambda system: system.__name__)
System = Callable[[pytest.MonkeyPatch], None]


@systems
@pytest.mark.parametrize("data", [b"", b"x", DATA], ids=["empty", "one", "large"])
def test_a_new_file_holds_the_bytes_and_nothing_else_is_left(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, system: System, data: bytes
) -> None:
    system(monkeypatch)
    digest = write_new(tmp_path / "out.bin", data)
    assert digest == hashlib.sha256(data).hexdigest()
    assert [path.name for path in tmp_path.iterdir()] == ["out.bin"]
    assert (tmp_path / "out.bin").read_bytes() == data
    assert (tmp_path / "out.bin").stat().st_nlink == 1


@systems
@pytest.mark.parametrize("what", ["file", "folder", "link", "dangling link", "hard link", "fifo"])
def test_whatever_exists_is_kept(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, system: System, what: str
) -> None:
    source, out = tmp_path / "source.bin", tmp_path / "out.bin"
    source.write_bytes(b"the only dump")
    make: dict[str, Callable[[], object]] = {
        "file": lambda: out.write_bytes(b"old"),
        "folder": out.mkdir,
        "link": lambda: out.symlink_to(source),
        "dangling link": lambda: out.symlink_to(tmp_path / "nowhere"),
        "hard link": lambda: os.link(source, out),
        "fifo": lambda: os.mkfifo(out),
    }
    make[what]()
    system(monkeypatch)
    before = (os.lstat(out), source.read_bytes())
    with pytest.raises(RefusalError) as caught:
        write_new(out, DATA)
    assert caught.value.code == "output-exists"
    assert (os.lstat(out), source.read_bytes()) == before
    assert len(list(tmp_path.iterdir())) == 2
    assert not (tmp_path / "nowhere").exists()


@systems
def test_a_name_that_appears_meanwhile_is_kept(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, system: System
) -> None:
    """No gap between asking and writing."""
    system(monkeypatch)
    out = tmp_path / "out.bin"

    def slip_in() -> None:
        out.write_bytes(b"theirs")

    with pytest.raises(RefusalError):
        write_new(out, DATA, before_publish=slip_in)
    assert out.read_bytes() == b"theirs"
    assert [path.name for path in tmp_path.iterdir()] == ["out.bin"]


@systems
@pytest.mark.parametrize("error", [KeyboardInterrupt, RefusalError("no", code="no")])
def test_what_the_last_question_raises_leaves_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, system: System, error: BaseException
) -> None:
    system(monkeypatch)

    def ask() -> None:
        assert [path.name for path in tmp_path.iterdir() if path.name == "out.bin"] == []
        raise error

    with pytest.raises((KeyboardInterrupt, RefusalError)):
        write_new(tmp_path / "out.bin", DATA, before_publish=ask)
    assert list(tmp_path.iterdir()) == []


@systems
@pytest.mark.parametrize("name", ["write", "fsync", "read", "lseek"])
@pytest.mark.parametrize("number", [errno.ENOSPC, errno.EIO])
def test_a_failure_leaves_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, system: System, name: str, number: int
) -> None:
    system(monkeypatch)
    with monkeypatch.context() as patch:
        patch.setattr(os, name, refuse(number=number))
        error = caught_error(tmp_path / "out.bin")
    assert isinstance(error, StoreError)
    assert error.file == str(tmp_path / "out.bin")
    assert list(tmp_path.iterdir()) == []
    if number == errno.ENOSPC:
        assert error.code == "disk-full"
        assert f"{len(DATA):,} bytes are needed" in str(error)
        assert "are free" in str(error)


def caught_error(path: Path, data: bytes = DATA) -> MemtoolError | None:
    """Outside of `pytest.raises`, which reads files itself."""
    try:
        write_new(path, data)
    except MemtoolError as error:
        return error
    return None


def test_the_digest_is_made_before_a_byte_is_written(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """F06: the buffer changes in memory during the write, so file and buffer agree."""
    data = bytearray(b"one part")
    real = os.write

    def write(descriptor: int, part: memoryview) -> int:
        data[7] ^= 1
        return real(descriptor, part)

    monkeypatch.setattr(os, "write", write)
    error = caught_error(tmp_path / "out.bin", data)  # type: ignore[arg-type]
    assert isinstance(error, StoreError)
    assert error.code == "verify-failed"
    assert list(tmp_path.iterdir()) == []


def test_what_is_read_back_must_have_the_digest_that_was_given(tmp_path: Path) -> None:
    with pytest.raises(StoreError) as raised:
        write_new(tmp_path / "out.bin", b"one part", sha256="0" * 64)
    assert raised.value.code == "verify-failed"
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("lie", ["skips", "stops", "corrupts", "adds"])
def test_a_lying_write_is_found_by_reading_back(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, lie: str
) -> None:
    """F05: the system says that all was written."""
    real = os.write

    def write(descriptor: int, part: memoryview) -> int:
        if lie == "corrupts":
            real(descriptor, bytes(part[:-1]) + bytes([part[-1] ^ 0x80]))
        elif lie == "stops":
            real(descriptor, part[:-1])
        elif lie == "adds":
            real(descriptor, bytes(part) + b"x")
        return len(part)

    monkeypatch.setattr(os, "write", write)
    error = caught_error(tmp_path / "out.bin", b"one part")
    assert isinstance(error, StoreError)
    assert error.code == "verify-failed"
    assert list(tmp_path.iterdir()) == []


def test_short_writes_are_carried_on(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    real = os.write
    monkeypatch.setattr(os, "write", lambda descriptor, part: real(descriptor, part[:1000]))
    write_new(tmp_path / "out.bin", DATA)
    monkeypatch.undo()
    assert (tmp_path / "out.bin").read_bytes() == DATA


def test_a_write_of_nothing_is_no_endless_loop(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(os, "write", lambda descriptor, part: 0)
    error = caught_error(tmp_path / "out.bin")
    assert isinstance(error, StoreError)
    assert error.code == "write-failed"


def test_the_calls_come_in_the_safe_order(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    called = spy(monkeypatch, "write", "fsync", "read", "fchmod", "link")
    write_new(tmp_path / "out.bin", DATA, read_only=True)
    monkeypatch.undo()
    assert called == ["write", "fsync", "read", "fchmod", "link", "fsync"]


def test_a_failing_fsync_is_never_tried_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """F07: the kernel may have dropped the bytes, and the second call would succeed."""
    calls = []

    def fsync(descriptor: int) -> None:
        calls.append(descriptor)
        if len(calls) == 1:
            raise OSError(errno.EIO, "Input/output error")

    monkeypatch.setattr(os, "fsync", fsync)
    error = caught_error(tmp_path / "out.bin")
    assert isinstance(error, StoreError)
    assert calls == calls[:1]
    assert list(tmp_path.iterdir()) == []


def test_a_folder_that_cannot_be_synced_is_told_and_the_file_stays(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """F08."""
    real = os.fsync

    def fsync(descriptor: int) -> None:
        if stat.S_ISDIR(os.fstat(descriptor).st_mode):
            raise OSError(errno.EIO, "Input/output error")
        real(descriptor)

    monkeypatch.setattr(os, "fsync", fsync)
    error = caught_error(tmp_path / "out.bin")
    assert isinstance(error, StoreError)
    assert error.code == "may-not-survive-power-loss"
    assert "may not survive a power loss" in str(error)
    assert (tmp_path / "out.bin").read_bytes() == DATA


def test_a_file_system_without_folder_sync_is_accepted(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    real = os.fsync

    def fsync(descriptor: int) -> None:
        if stat.S_ISDIR(os.fstat(descriptor).st_mode):
            raise OSError(errno.EINVAL, "Invalid argument")
        real(descriptor)

    monkeypatch.setattr(os, "fsync", fsync)
    assert caught_error(tmp_path / "out.bin") is None


@pytest.mark.parametrize(
    ("number", "code"),
    [
        (errno.EROFS, "read-only"),
        (errno.EACCES, "no-permission"),
        (errno.EDQUOT, "disk-full"),
        (errno.EFBIG, "disk-full"),
        (errno.EMFILE, "write-failed"),
    ],
)
def test_the_cause_has_its_own_code(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, number: int, code: str
) -> None:
    monkeypatch.setattr(os, "write", refuse(number=number))
    error = caught_error(tmp_path / "out.bin")
    assert isinstance(error, StoreError)
    assert error.code == code


def test_free_space_is_left_out_where_nobody_knows_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(os, "write", refuse(number=errno.ENOSPC))
    monkeypatch.setattr("memtool.lazy.shutil.disk_usage", refuse(number=errno.EIO))
    error = caught_error(tmp_path / "out.bin")
    assert "bytes are needed; make room" in str(error)


@pytest.mark.parametrize("mask", [0, 0o022, 0o077])
def test_files_are_the_users_own_under_any_mask_and_backups_are_read_only(
    tmp_path: Path, mask: int
) -> None:
    old = os.umask(mask)
    try:
        write_new(tmp_path / "output", b"x")
        write_new(tmp_path / "backup", b"x", read_only=True)
    finally:
        os.umask(old)
    assert stat.S_IMODE((tmp_path / "output").stat().st_mode) == 0o600
    assert stat.S_IMODE((tmp_path / "backup").stat().st_mode) == 0o400


def test_a_file_system_without_modes_is_accepted(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(os, "fchmod", refuse(number=errno.EPERM))
    assert write_new(tmp_path / "backup", b"x", read_only=True)


def test_advice_that_the_system_does_not_take_is_no_failure(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(os, "posix_fadvise", refuse(number=errno.EINVAL))
    assert write_new(tmp_path / "one", b"x")
    monkeypatch.delattr(os, "posix_fadvise")
    assert write_new(tmp_path / "two", b"x")


def test_a_system_without_modes_at_all_is_accepted(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.delattr(os, "fchmod")
    assert write_new(tmp_path / "backup", b"x", read_only=True)


@pytest.mark.parametrize("path", ["", "..", "/", "nul\0inside"])
def test_what_is_no_file_name_is_wrong_usage(tmp_path: Path, path: str) -> None:
    with pytest.raises(UsageError) as caught:
        write_new(Path(path), b"x")
    assert caught.value.code == "not-a-file-name"


@pytest.mark.parametrize("folder", ["missing", "file"])
def test_a_missing_folder_is_wrong_usage(tmp_path: Path, folder: str) -> None:
    (tmp_path / "file").touch()
    with pytest.raises(UsageError) as caught:
        write_new(tmp_path / folder / "out.bin", b"x")
    assert caught.value.code == "no-such-folder"


def test_a_folder_that_may_not_be_opened_is_told(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(os, "open", refuse(number=errno.EACCES))
    error = caught_error(tmp_path / "out.bin")
    assert isinstance(error, StoreError)
    assert error.code == "no-permission"


def test_a_folder_by_path_must_be_one(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    without_descriptors(monkeypatch)
    (tmp_path / "file").touch()
    with pytest.raises(UsageError):
        write_new(tmp_path / "file" / "out.bin", b"x")
    (tmp_path / "link").symlink_to("file")
    with open_folder(tmp_path) as folder, pytest.raises(OSError, match="symbolic"):
        folder.open("link", os.O_RDONLY)


def test_a_random_name_that_cannot_be_removed_is_told(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Two names for one file: the person is told, and the file is whole."""
    without_nameless_files(monkeypatch)
    monkeypatch.setattr(os, "unlink", refuse(number=errno.EIO))
    error = caught_error(tmp_path / "out.bin")
    assert isinstance(error, StoreError)
    assert (tmp_path / "out.bin").read_bytes() == DATA
    assert sum(path.name.startswith(UNFINISHED) for path in tmp_path.iterdir()) == 1


def test_a_rename_that_fails_leaves_no_placeholder(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    without_both(monkeypatch)
    monkeypatch.setattr(os, "rename", refuse(number=errno.EIO))
    error = caught_error(tmp_path / "out.bin")
    assert isinstance(error, StoreError)
    assert list(tmp_path.iterdir()) == []


def test_a_line_is_added_only_to_what_was_read(tmp_path: Path) -> None:
    path = tmp_path / "lines"
    path.write_bytes(b"one\n")
    with open_folder(tmp_path) as folder:
        append_line(folder, "lines", b"two\n", size=4)
        assert path.read_bytes() == b"one\ntwo\n"
        with pytest.raises(StoreError) as caught:
            append_line(folder, "lines", b"three\n", size=4)
    assert caught.value.code == "changed-meanwhile"
    assert path.read_bytes() == b"one\ntwo\n"


def test_a_line_takes_the_place_of_an_unfinished_one(tmp_path: Path) -> None:
    path = tmp_path / "lines"
    path.write_bytes(b"one\ntw")
    with open_folder(tmp_path) as folder:
        append_line(folder, "lines", b"three\n", size=6, keep=4)
    assert path.read_bytes() == b"one\nthree\n"


@pytest.mark.parametrize("name", ["write", "fsync", "read"])
def test_a_line_that_fails_is_taken_away_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, name: str
) -> None:
    path = tmp_path / "lines"
    path.write_bytes(b"one\n")
    with open_folder(tmp_path) as folder:
        with monkeypatch.context() as patch:
            patch.setattr(os, name, refuse(number=errno.ENOSPC))
            error = None
            try:
                append_line(folder, "lines", b"two\n", size=4)
            except StoreError as caught:
                error = caught
        assert error is not None
        assert error.code == "disk-full"
    assert path.read_bytes() == b"one\n"


def test_a_line_is_never_added_through_a_link(tmp_path: Path) -> None:
    (tmp_path / "real").write_bytes(b"one\n")
    (tmp_path / "lines").symlink_to("real")
    with open_folder(tmp_path) as folder, pytest.raises(StoreError):
        append_line(folder, "lines", b"two\n", size=4)
    assert (tmp_path / "real").read_bytes() == b"one\n"
