"""What the small steps of a write are for: each has a situation that shows it."""

from __future__ import annotations

import errno
import os
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from memtool.errors import RefusalError, StoreError, UsageError
from memtool.store.backups import BackupStore
from memtool.store.folder import open_folder
from memtool.store.journal import append_entry, check_journal
from memtool.store.writing import append_line, make_folder, write_new
from tests.faults.faulty_os import open_descriptors
from tests.faults.scene import FIRST, SECOND, TIME, add, make_read, scratch
from tests.store.test_writing import (
    System,
    as_on_windows,
    refuse,
    spy,
    systems,
    without_both,
    without_descriptors,
)


@pytest.fixture
def tmp_path() -> Iterator[Path]:
    with scratch() as folder:
        yield folder


def test_a_name_that_is_taken_is_refused_before_a_byte_is_written(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "x").write_bytes(b"mine")
    monkeypatch.setattr(os, "write", refuse(number=errno.EIO))
    with pytest.raises(RefusalError):
        write_new(tmp_path / "x", b"other")


def test_no_room_for_a_folder_names_no_number_of_bytes(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(os, "mkdir", refuse(number=errno.ENOSPC))
    with pytest.raises(StoreError) as caught:
        make_folder(tmp_path / "x")
    assert caught.value.code == "disk-full"
    assert "there is no room left" in caught.value.message


@systems
def test_a_write_leaves_no_descriptor_open_and_asks_the_last_question(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, system: System
) -> None:
    system(monkeypatch)
    asked = []
    before = open_descriptors()
    write_new(tmp_path / "x", b"data", before_publish=lambda: asked.append(1))
    assert asked
    with open_folder(tmp_path) as folder:
        append_line(folder, "x", b"line\n", size=4)
    assert open_descriptors() <= before


@systems
def test_the_last_question_comes_after_the_last_byte(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, system: System
) -> None:
    """Also where one way of writing was tried in vain before."""
    system(monkeypatch)
    called = spy(monkeypatch, "write")
    write_new(tmp_path / "x", b"data", before_publish=lambda: called.append("ask"))
    assert called[-1] == "ask"


def test_a_file_without_a_name_is_used_where_there_is_such_a_thing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A kill at any moment then leaves nothing behind."""
    if not hasattr(os, "O_TMPFILE"):
        return
    flags = spy_on_flags(monkeypatch)
    write_new(tmp_path / "x", b"data")
    assert any(given & os.O_TMPFILE == os.O_TMPFILE for given in flags)


def test_a_nameless_file_is_never_made_in_the_current_folder(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """By path alone it would be another folder than the one that is meant."""
    without_descriptors(monkeypatch)
    flags = spy_on_flags(monkeypatch)
    write_new(tmp_path / "x", b"data")
    assert not any(given & os.O_TMPFILE == os.O_TMPFILE for given in flags)


def test_a_system_that_knows_no_nameless_files_writes_all_the_same(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.delattr(os, "O_TMPFILE")
    write_new(tmp_path / "x", b"data")
    assert (tmp_path / "x").read_bytes() == b"data"


def spy_on_flags(monkeypatch: pytest.MonkeyPatch) -> list[int]:
    seen: list[int] = []
    real = os.open

    def call(path: Any, flags: int, *arguments: Any, **options: Any) -> int:
        seen.append(flags)
        return real(path, flags, *arguments, **options)

    monkeypatch.setattr(os, "open", call)
    return seen


def test_windows_publishes_by_its_rename(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    as_on_windows(monkeypatch)
    called = spy(monkeypatch, "rename", "link")
    write_new(tmp_path / "x", b"data")
    assert called == ["rename"]


def test_a_link_that_fails_for_good_is_no_reason_to_try_another_way(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(os, "link", refuse(number=errno.EIO))
    with pytest.raises(StoreError) as caught:
        write_new(tmp_path / "x", b"data")
    assert caught.value.code == "write-failed"
    assert list(tmp_path.iterdir()) == []


def test_the_placeholder_of_a_stick_is_closed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    without_both(monkeypatch)
    before = open_descriptors()
    write_new(tmp_path / "x", b"data")
    assert open_descriptors() <= before


@pytest.mark.skipif(not hasattr(os, "posix_fadvise"), reason="the system has no such advice")
def test_the_read_back_asks_for_the_medium_and_not_for_memory(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    advice: list[tuple[int, ...]] = []
    monkeypatch.setattr(os, "posix_fadvise", lambda _, *given: advice.append(given))
    write_new(tmp_path / "x", b"data")
    assert advice == [(0, 0, os.POSIX_FADV_DONTNEED)]


def test_what_was_not_read_back_right_is_named_with_its_file(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    real = os.read
    monkeypatch.setattr(os, "read", lambda *given: real(*given)[:-1] + b"?")
    with pytest.raises(StoreError) as caught:
        write_new(tmp_path / "x", b"data")
    assert (caught.value.code, caught.value.file) == ("verify-failed", str(tmp_path / "x"))


@pytest.mark.parametrize(
    ("error", "said"),
    [(OSError("strange"), "strange"), (OSError(errno.EXDEV, "odd words"), "odd words.")],
)
def test_an_error_that_has_no_name_here_is_told_in_its_own_words(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, error: OSError, said: str
) -> None:
    def fail(*_: object) -> int:
        raise error

    monkeypatch.setattr(os, "write", fail)
    with pytest.raises(StoreError) as caught:
        write_new(tmp_path / "x", b"data")
    assert caught.value.code == "write-failed"
    assert caught.value.message == f"not written: {said.rstrip('.')}"


def test_a_line_that_failed_is_gone_for_good(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The shorter length is made durable as well."""
    (tmp_path / "j").write_bytes(b"one\n")
    with open_folder(tmp_path) as folder:
        monkeypatch.setattr(os, "write", refuse(number=errno.EIO))
        called = spy(monkeypatch, "ftruncate", "fsync")
        before = open_descriptors()
        with pytest.raises(StoreError):
            append_line(folder, "j", b"two\n", size=4)
    assert called == ["ftruncate", "fsync"]
    assert open_descriptors() <= before


def test_no_room_for_a_look_at_the_journal_names_no_number_of_bytes(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(os, "stat", refuse(number=errno.ENOSPC))
    monkeypatch.setattr(os, "lstat", refuse(number=errno.ENOSPC))
    with pytest.raises(StoreError) as caught:
        append_entry(tmp_path / "j", kind="note", facts={}, time=TIME)
    assert "bytes are needed" not in caught.value.message


def test_one_byte_that_was_never_written_is_the_beginning_of_a_journal(tmp_path: Path) -> None:
    (tmp_path / "j").write_bytes(b"\0")
    state = check_journal(tmp_path / "j")
    assert state.entries == ()
    assert state.torn is not None
    assert state.torn.size == 1


def test_a_written_file_is_no_program(tmp_path: Path) -> None:
    write_new(tmp_path / "out.bin", b"x")
    assert (tmp_path / "out.bin").stat().st_mode & 0o111 == 0


# Backups.


def test_a_second_store_keeps_the_first_ones_numbers(tmp_path: Path) -> None:
    add(BackupStore(tmp_path / "store"), FIRST)
    add(BackupStore(tmp_path / "store", also=tmp_path / "also"), SECOND)
    assert [path.name[:6] for path in (tmp_path / "also" / "records").iterdir()] == ["000002"]


def test_an_id_of_the_least_length_is_enough_and_less_is_not(tmp_path: Path) -> None:
    store = BackupStore(tmp_path / "store")
    entry = add(store, FIRST)
    least = next(size for size in range(1, 13) if finds(store, entry.id[:size]))
    assert least == 4
    assert "no backup" in told(store, "f" * 12 if entry.id[0] != "f" else "0" * 12)
    add(store, make_read(b"another" * 20))
    assert "several backups" in told(store, "")


def test_a_damaged_record_is_told_by_its_shortest_id(tmp_path: Path) -> None:
    store = BackupStore(tmp_path / "store")
    entry = add(store, FIRST)
    record = next((store.folder / "records").iterdir())
    record.chmod(0o600)
    record.write_bytes(b"rotten")
    with pytest.raises(StoreError) as caught:
        store.entry(entry.id[:4])
    assert caught.value.code == "record-changed"
    assert "no backup" in told(store, entry.id[:3])


def finds(store: BackupStore, asked: str) -> bool:
    try:
        return bool(store.entry(asked))
    except UsageError:
        return False


def told(store: BackupStore, asked: str) -> str:
    with pytest.raises(UsageError) as caught:
        store.entry(asked)
    return str(caught.value)


def test_repair_makes_no_second_store_where_its_stick_is_not_there(tmp_path: Path) -> None:
    add(BackupStore(tmp_path / "store"), FIRST)
    store = BackupStore(tmp_path / "store", also=tmp_path / "stick" / "also")
    with pytest.raises(StoreError):
        store.repair(time=TIME)
    assert not (tmp_path / "stick").exists()


def test_check_tells_of_a_second_store_that_is_not_there(tmp_path: Path) -> None:
    add(BackupStore(tmp_path / "store"), FIRST)
    store = BackupStore(tmp_path / "store", also=tmp_path / "stick" / "also")
    with pytest.raises(StoreError) as caught:
        store.check()
    assert caught.value.code == "no-store"


def without_locks(monkeypatch: pytest.MonkeyPatch) -> None:
    """Lock files cannot be opened, as where a place is read-only; all else can."""
    real = os.open

    def opened(path: Any, *arguments: Any, **options: Any) -> int:
        if str(path).endswith("lock"):
            raise OSError(errno.EROFS, os.strerror(errno.EROFS))
        return real(path, *arguments, **options)

    monkeypatch.setattr(os, "open", opened)


def test_what_writes_never_goes_on_without_the_lock(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    store = BackupStore(tmp_path / "store")
    add(store, FIRST)
    with monkeypatch.context() as patched:
        without_locks(patched)
        for attempt in (lambda: add(store, SECOND), lambda: store.repair(time=TIME)):
            with pytest.raises(StoreError) as caught:
                attempt()
            assert caught.value.code == "cannot-lock"
    assert len(store.entries()) == 1


def test_what_only_reads_needs_no_lock_in_either_store(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    store = BackupStore(tmp_path / "store", also=tmp_path / "also")
    entry = add(store, FIRST)
    without_locks(monkeypatch)
    assert all(item.result == "pass" for item in store.check())
    assert store.require_receipt(entry.id).entry == entry
