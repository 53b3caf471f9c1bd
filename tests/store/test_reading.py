"""Reading a file whole: what is refused at once, what changes meanwhile (F19, F32, F34, F35)."""

from __future__ import annotations

import hashlib
import os
import socket
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from memtool.errors import InputError, UsageError
from memtool.store.folder import open_folder
from memtool.store.reading import MAX_FILE_SIZE, read_file, read_file_in

DATA = bytes(range(256)) * 4


def test_a_file_is_read_with_its_digest_and_identity(tmp_path: Path) -> None:
    path = tmp_path / "dump.bin"
    path.write_bytes(DATA)
    content = read_file(path)
    assert content.data == DATA
    assert content.sha256 == hashlib.sha256(DATA).hexdigest()
    status = path.stat()
    assert (content.device, content.inode) == (status.st_dev, status.st_ino)


def test_an_empty_file_is_read(tmp_path: Path) -> None:
    (tmp_path / "empty").touch()
    assert read_file(tmp_path / "empty").data == b""


def test_links_to_a_read_are_followed(tmp_path: Path) -> None:
    (tmp_path / "dump.bin").write_bytes(DATA)
    (tmp_path / "link").symlink_to("dump.bin")
    assert read_file(tmp_path / "link").data == DATA


@pytest.mark.parametrize("name", ["missing", "no/such/folder", "dump.bin/below", "nul\0inside"])
def test_a_missing_file_is_wrong_usage(tmp_path: Path, name: str) -> None:
    (tmp_path / "dump.bin").write_bytes(DATA)
    with pytest.raises(UsageError) as caught:
        read_file(Path(f"{tmp_path}/{name}"))
    assert caught.value.code == "no-such-file"
    assert caught.value.file == f"{tmp_path}/{name}"


def make_fifo(path: Path) -> None:
    os.mkfifo(path)


def make_folder(path: Path) -> None:
    path.mkdir()


def make_socket(path: Path) -> None:
    with socket.socket(socket.AF_UNIX) as server:
        server.bind(str(path))


def link_to(target: str) -> Callable[[Path], None]:
    return lambda path: path.symlink_to(target)


@pytest.mark.parametrize(
    ("make", "kind"),
    [
        (make_fifo, "a pipe"),
        (make_folder, "a folder"),
        (make_socket, "a socket"),
        (link_to("/dev/zero"), "a device"),
        (link_to("/dev/tty"), "a device"),
        (link_to("/proc/self/status"), "0 bytes"),
    ],
    ids=["fifo", "folder", "socket", "zero", "tty", "proc"],
)
def test_what_is_no_regular_file_is_refused_at_once(
    tmp_path: Path, make: Callable[[Path], None], kind: str
) -> None:
    path = tmp_path / "odd"
    make(path)
    # A reader that opened a pipe or a device would never come back from here.
    with pytest.raises(InputError) as caught:
        read_file(path)
    assert caught.value.code == "not-a-regular-file"
    assert kind in str(caught.value)


def test_a_fifo_that_takes_the_place_of_a_file_is_refused(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Between asking what it is and opening it."""
    path = tmp_path / "odd"
    path.write_bytes(DATA)
    real = os.open

    def swap(name: Any, *arguments: Any, **options: Any) -> int:
        path.unlink()
        os.mkfifo(path)
        return real(name, *arguments, **options)

    monkeypatch.setattr(os, "open", swap)
    with pytest.raises(InputError, match="a pipe"):
        read_file(path)


def test_a_sparse_file_of_10_gigabytes_is_refused_and_not_read(tmp_path: Path) -> None:
    path = tmp_path / "large"
    with path.open("wb") as file:
        file.truncate(10 * 1024**3)
    code = (
        "import resource, sys; from pathlib import Path\n"
        "from memtool.store.reading import read_file\n"
        "def peak(): return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss\n"
        "before = peak()\n"
        "try:\n    read_file(Path(sys.argv[1]))\n"
        "except Exception as error:\n    print(error.code)\n"
        "print(peak() - before < 50 * 1024)\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", code, path],
        capture_output=True,
        text=True,
        env=os.environ | {"PYTHONPATH": str(Path(__file__).parents[2])},
    )
    assert done.stdout.split() == ["too-large", "True"], done.stderr


def test_the_limit_itself_is_allowed(tmp_path: Path) -> None:
    path = tmp_path / "dump.bin"
    path.write_bytes(DATA)
    assert read_file(path, limit=len(DATA)).data == DATA
    with pytest.raises(InputError) as caught:
        read_file(path, limit=len(DATA) - 1)
    assert caught.value.code == "too-large"
    # A shorter limit than a dump's is that of another file.
    assert caught.value.next_step == "see whether the right file was named"
    assert MAX_FILE_SIZE > 180_000_000


def changing(path: Path, change: Callable[[], object]) -> Callable[..., bytes]:
    """An `os.read` whose first call is followed by a change of the file."""
    real = os.read
    done: list[object] = []

    def read(descriptor: int, size: int) -> bytes:
        part = real(descriptor, min(size, 100))
        if not done:
            done.append(change())
        return part

    return read


@pytest.mark.parametrize("how", ["grows", "shrinks", "is written over"])
def test_a_file_that_changes_while_it_is_read_is_refused(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, how: str
) -> None:
    path = tmp_path / "dump.bin"
    path.write_bytes(DATA)
    os.utime(path, ns=(1, 1))

    def change() -> None:
        if how == "grows":
            with path.open("ab") as file:
                file.write(b"more")
        elif how == "shrinks":
            os.truncate(path, 50)
        else:
            path.write_bytes(bytes(len(DATA)))

    monkeypatch.setattr("os.read", changing(path, change))
    with pytest.raises(InputError) as caught:
        read_file(path)
    assert caught.value.code == "changed-while-read"


def test_a_replaced_file_gives_the_bytes_that_were_opened(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "dump.bin"
    path.write_bytes(DATA)
    (tmp_path / "other").write_bytes(b"other")
    monkeypatch.setattr("os.read", changing(path, lambda: (tmp_path / "other").replace(path)))
    content = read_file(path)
    assert content.data == DATA
    assert content.sha256 == hashlib.sha256(DATA).hexdigest()


def test_too_little_memory_is_an_error_of_the_input(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "dump.bin"
    path.write_bytes(DATA)

    def read(descriptor: int, size: int) -> bytes:
        raise MemoryError

    monkeypatch.setattr("os.read", read)
    with pytest.raises(InputError) as caught:
        read_file(path)
    assert caught.value.code == "out-of-memory"


@pytest.mark.parametrize("where", ["os.open", "os.fstat", "os.read"])
def test_a_failing_system_call_is_named(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, where: str
) -> None:
    path = tmp_path / "dump.bin"
    path.write_bytes(DATA)

    def fail(*arguments: object, **options: object) -> None:
        raise OSError(5, "Input/output error")

    monkeypatch.setattr(where, fail)
    with pytest.raises(InputError) as caught:
        read_file(path)
    monkeypatch.undo()
    assert caught.value.code == "unreadable"
    assert "Input/output error" in str(caught.value)
    assert caught.value.file == str(path)


def test_in_an_open_folder_a_link_is_refused_and_a_missing_name_is_told(tmp_path: Path) -> None:
    (tmp_path / "dump.bin").write_bytes(DATA)
    (tmp_path / "link").symlink_to("dump.bin")
    with open_folder(tmp_path) as folder:
        assert read_file_in(folder, "dump.bin").data == DATA
        with pytest.raises(InputError) as caught:
            read_file_in(folder, "link")
        assert caught.value.code == "symbolic-link"
        with pytest.raises(UsageError):
            read_file_in(folder, "missing")
        with pytest.raises(UsageError):
            read_file_in(folder, "nul\0inside")
