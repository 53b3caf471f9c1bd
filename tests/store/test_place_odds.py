"""The store's folder in states that only a careless hand or a crash can make."""

from __future__ import annotations

import errno
import os
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from memtool.errors import RefusalError, StoreError
from memtool.store.backups import BackupStore
from memtool.store.folder import Folder
from memtool.store.place import (
    describe_change,
    is_unused,
    open_place,
    open_place_unmarked,
    sync_kept,
)
from tests.faults.faulty_os import open_descriptors
from tests.faults.invariants import journal_lines
from tests.faults.scene import FIRST, SECOND, TIME, add, scratch


@pytest.fixture
def store() -> Iterator[BackupStore]:
    with scratch() as folder:
        store = BackupStore(folder / "store", also=folder / "also")
        add(store, FIRST)
        add(store, SECOND)
        yield store


@pytest.mark.parametrize("left", ["files", "records", "journal.jsonl"])
def test_one_part_that_is_left_is_enough_to_be_a_store_without_its_marker(
    store: BackupStore, left: str
) -> None:
    for path in store.folder.iterdir():
        if path.name != left:
            for inner in path.iterdir() if path.is_dir() else ():
                inner.unlink()
            path.rmdir() if path.is_dir() else path.unlink()
    assert not is_unused(store.folder)
    with pytest.raises(StoreError) as caught, open_place(store.folder):
        raise AssertionError("it has no marker")
    assert caught.value.code == "no-marker"
    with pytest.raises((StoreError, RefusalError)):
        add(BackupStore(store.folder), FIRST)


def test_empty_parts_are_no_store(tmp_path: Path) -> None:
    (tmp_path / "files").mkdir()
    (tmp_path / "records").mkdir()
    assert is_unused(tmp_path)
    with pytest.raises(StoreError) as caught, open_place(tmp_path):
        raise AssertionError("it has no marker")
    assert caught.value.code == "no-store"


@pytest.mark.parametrize("part", ["files", "records"])
def test_a_look_makes_no_part_and_a_repair_does(store: BackupStore, part: str) -> None:
    for inner in (store.folder / part).iterdir():
        inner.unlink()
    (store.folder / part).rmdir()
    with pytest.raises(StoreError), open_place_unmarked(store.folder):
        raise AssertionError("a part is missing")
    assert not (store.folder / part).exists()
    with open_place_unmarked(store.folder, make_parts=True):
        assert (store.folder / part).is_dir()


@pytest.mark.parametrize("opens", [open_place, open_place_unmarked])
def test_an_error_of_the_system_inside_is_the_stores(store: BackupStore, opens: Any) -> None:
    with (
        pytest.raises(StoreError, match="the store cannot be used: ") as caught,
        opens(store.folder),
    ):
        raise OSError(errno.EIO, os.strerror(errno.EIO))
    assert caught.value.code == "store-failed"


def test_a_foreign_name_among_the_records_is_told_once(store: BackupStore) -> None:
    (store.folder / "records" / "notes.txt").write_text("x")
    items = [item for item in BackupStore(store.folder).check() if "notes.txt" in item.id]
    assert [item.result for item in items] == ["fail"]


def test_the_same_again_makes_the_journal_durable_and_leaks_nothing(
    store: BackupStore, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The run that wrote the line may have been cut off before it was durable."""
    synced = []

    def noted(folder: Folder, name: str) -> None:
        synced.append((folder.path, name))
        sync_kept(folder, name)

    monkeypatch.setattr("memtool.store.store_journal.sync_kept", noted)
    before = open_descriptors()
    add(BackupStore(store.folder), FIRST)
    assert synced == [(store.folder, "journal.jsonl")]
    assert open_descriptors() == before


def test_what_a_repair_sets_aside_is_durable_and_in_the_journal(
    store: BackupStore, monkeypatch: pytest.MonkeyPatch
) -> None:
    copy = store.folder / "files" / FIRST.file_sha256
    copy.chmod(0o600)
    copy.write_bytes(b"rotten")
    synced = []
    real = Folder.sync

    def noted(folder: Folder) -> None:
        synced.append(folder.path.name)
        real(folder)

    monkeypatch.setattr(Folder, "sync", noted)
    store.repair(time=TIME)
    (aside,) = (store.folder / "set-aside").iterdir()
    assert aside.read_bytes() == b"rotten"
    assert len(aside.name) == 8 + 1 + 64
    assert aside.name.endswith(f"-{FIRST.file_sha256}")
    assert "set-aside" in synced
    told = [str(entry["facts"]) for entry in journal_lines(store.folder / "journal.jsonl")[0]]
    assert any(aside.name in facts and FIRST.file_sha256 in facts for facts in told)


@pytest.mark.parametrize(
    ("length", "size", "said"),
    [
        (0, None, "is empty"),
        (0, 5, "is empty"),
        (5, None, "was changed: its digest does not match"),
        (5, 5, "was changed: its length is right, its bytes are not"),
        (4, 5000, "is cut short: 4 of 5,000 bytes are there"),
        (5000, 4, "is too long: 5,000 bytes instead of 4"),
    ],
)
def test_a_change_is_told_by_its_kind(length: int, size: int | None, said: str) -> None:
    assert describe_change(length, size) == said


@pytest.mark.skipif(os.name != "posix", reason="needs POSIX links")
def test_a_root_that_cannot_be_opened_says_why(store: BackupStore, tmp_path: Path) -> None:
    file = tmp_path / "file"
    file.write_text("x")
    with pytest.raises(StoreError, match="Not a directory"), open_place(file):
        raise AssertionError("it is a file")
    link = tmp_path / "link"
    link.symlink_to(store.folder)
    with pytest.raises(StoreError, match="a symbolic link is in its place"), open_place(link):
        raise AssertionError("it is a link")
