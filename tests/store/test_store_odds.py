"""What the store does where the system is poorer, or says no at an unusual place."""

from __future__ import annotations

import errno
import fcntl
import os
import stat
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from memtool.errors import StoreError, UsageError
from memtool.store import folder as folder_module
from memtool.store.backups import BackupStore
from memtool.store.journal import append_entry
from memtool.store.probing import probe_folder
from memtool.store.writing import make_folder
from tests.faults.scene import FIRST, SECOND, TIME, add, scratch


@pytest.fixture
def tmp_path() -> Iterator[Path]:
    with scratch() as folder:
        yield folder


def overwrite(path: Path, data: bytes) -> None:
    path.chmod(0o600)
    path.write_bytes(data)


def test_a_store_works_by_paths_alone(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """As on Windows, where no name can be looked up in an open folder."""
    monkeypatch.setattr(folder_module, "BY_DESCRIPTOR", False)
    store = BackupStore(tmp_path / "above" / "store", also=tmp_path / "also")
    entry = add(store, FIRST, SECOND)
    assert add(store, FIRST, SECOND) == entry
    overwrite(store.folder / "files" / FIRST.file_sha256, b"rotten")
    store.repair(time=TIME)
    assert all(item.result == "pass" for item in store.check())
    assert store.require_receipt(entry.id)
    (store.folder / "files").rename(tmp_path / "elsewhere")
    (store.folder / "files").symlink_to(tmp_path / "elsewhere")
    with pytest.raises(StoreError, match="symbolic link"):
        store.check()
    system = probe_folder(tmp_path).file_system
    assert system is not None
    assert not system.nameless_files
    assert not system.folder_sync
    assert system.hard_links


def refuse_to_read(monkeypatch: pytest.MonkeyPatch, target: Path) -> None:
    real = os.open

    def call(path: Any, flags: int, *arguments: Any, **options: Any) -> int:
        if str(path).endswith(target.name):
            raise OSError(errno.EIO, "Input/output error")
        return real(path, flags, *arguments, **options)

    monkeypatch.setattr(os, "open", call)


def test_a_record_that_cannot_be_read_now_is_not_kept_a_second_time(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    store = BackupStore(tmp_path / "store")
    add(store, FIRST)
    with monkeypatch.context() as patch:
        refuse_to_read(patch, next((store.folder / "records").iterdir()))
        with pytest.raises(StoreError) as caught:
            add(store, FIRST)
        assert caught.value.code == "unreadable"
    assert len(store.entries()) == 1


def test_a_link_in_place_of_a_copy_stops_adding(tmp_path: Path) -> None:
    store = BackupStore(tmp_path / "store")
    add(store, FIRST)
    copy = store.folder / "files" / FIRST.file_sha256
    copy.rename(tmp_path / "elsewhere")
    copy.symlink_to(tmp_path / "elsewhere")
    with pytest.raises(StoreError) as caught:
        add(store, FIRST)
    assert caught.value.code == "symbolic-link"
    assert (tmp_path / "elsewhere").read_bytes() == FIRST.data


def test_a_copy_that_cannot_be_made_durable_again_is_no_success(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    store = BackupStore(tmp_path / "store")
    add(store, FIRST)
    real = os.fsync

    def fsync(descriptor: int) -> None:
        if stat.S_ISREG(os.fstat(descriptor).st_mode):
            raise OSError(errno.EIO, "Input/output error")
        real(descriptor)

    monkeypatch.setattr(os, "fsync", fsync)
    with pytest.raises(StoreError) as caught:
        add(store, FIRST)
    assert caught.value.code == "may-not-survive-power-loss"


def test_repair_leaves_a_copy_that_both_stores_have_lost(tmp_path: Path) -> None:
    store = BackupStore(tmp_path / "store", also=tmp_path / "also")
    add(store, FIRST)
    for place in (store.folder, tmp_path / "also"):
        (place / "files" / FIRST.file_sha256).unlink()
    assert store.repair(time=TIME) == ()
    assert any("is missing" in item.text for item in store.check())


def test_a_folder_that_cannot_be_opened_is_told(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    refuse_to_read(monkeypatch, tmp_path)
    with pytest.raises(StoreError) as caught:
        append_entry(tmp_path / "journal.jsonl", kind="note", facts={}, time=TIME)
    assert caught.value.code == "cannot-open-folder"


def test_folders_are_made_one_in_the_other(tmp_path: Path) -> None:
    make_folder(tmp_path / "a" / "b" / "c")
    make_folder(tmp_path / "a" / "b" / "c")
    assert (tmp_path / "a" / "b" / "c").is_dir()
    (tmp_path / "file").touch()
    for path in (tmp_path / "file", tmp_path / "file" / "below", Path("/proc/nowhere")):
        with pytest.raises(StoreError):
            make_folder(path)


def test_a_place_without_locks_is_found(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def flock(descriptor: int, operation: int) -> None:
        raise OSError(errno.ENOLCK, "No locks available")

    monkeypatch.setattr(fcntl, "flock", flock)
    probe = probe_folder(tmp_path / "not" / "there")
    assert probe.tried_in == tmp_path
    assert probe.file_system is not None
    assert not probe.file_system.locks
    with pytest.raises(StoreError) as caught:
        add(BackupStore(tmp_path / "store"), FIRST)
    assert caught.value.code == "cannot-lock"


def test_repair_puts_an_unfinished_line_of_the_journal_right(tmp_path: Path) -> None:
    store = BackupStore(tmp_path / "store")
    add(store, FIRST)
    with (store.folder / "journal.jsonl").open("ab") as file:
        file.write(b'{"sha256": "01')
    assert any("no end" in text for text in store.repair(time=TIME))
    assert all(item.result == "pass" for item in store.check())
    assert store.repair(time=TIME) == ()


def test_other_backups_go_on_beside_a_damaged_record(tmp_path: Path) -> None:
    store = BackupStore(tmp_path / "store")
    add(store, FIRST)
    overwrite(next((store.folder / "records").iterdir()), b"rotten")
    entry = add(store, SECOND)
    assert store.entries() == (entry,)
    assert store.entry(entry.id) == entry
    with pytest.raises(UsageError):
        store.entry("0000")


def test_a_store_that_cannot_be_made_or_opened_is_told(tmp_path: Path) -> None:
    with pytest.raises(StoreError) as caught:
        add(BackupStore(Path("/proc/nowhere/store")), FIRST)
    assert caught.value.code == "write-failed"
    (tmp_path / "file").touch()
    with pytest.raises(StoreError) as caught:
        BackupStore(tmp_path / "file").entries()
    assert caught.value.code == "cannot-open-store"


def test_the_root_of_all_folders_exists() -> None:
    make_folder(Path("/"))
    assert Path("/").is_dir()


def test_a_lock_that_cannot_be_given_back_costs_no_success(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The backup is kept; the system frees the lock with the process."""
    real = fcntl.flock

    def flock(descriptor: int, operation: int) -> None:
        if operation == fcntl.LOCK_UN:
            raise OSError(errno.EIO, "input/output error")
        real(descriptor, operation)

    with monkeypatch.context() as patched:
        patched.setattr(fcntl, "flock", flock)
        entry = add(BackupStore(tmp_path / "store"), FIRST)
    assert entry.id
