"""F07, F11, F12, F15, F24, F25, F38: real file systems that are small, full, read-only or odd."""

from __future__ import annotations

import os
import resource
import subprocess
import sys
import tempfile
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager
from pathlib import Path

import pytest

from memtool.errors import RefusalError, StoreError
from memtool.store.backups import BackupStore
from memtool.store.probing import probe_folder
from memtool.store.writing import write_new
from tests.command_line import ROOT
from tests.faults.invariants import look_at_store
from tests.faults.places import (
    exfat_stick,
    memory_disk,
    mounted,
    ntfs_stick,
    over_full_loop,
    run,
)
from tests.faults.scene import FIRST, SECOND, TIME, add, invented_bytes, make_read
from tests.needs import needs, needs_mounts, needs_root

LARGE = make_read(invented_bytes(7, 200_000), "large.bin")
Stick = Callable[[Path], AbstractContextManager[Path]]
NEEDS_EXFAT = needs("mkfs.exfat", "mount.exfat-fuse")
STICKS = [
    pytest.param(exfat_stick, id="exfat", marks=NEEDS_EXFAT),
    pytest.param(ntfs_stick, id="ntfs", marks=needs("mkntfs", "lowntfs-3g")),
]


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    with memory_disk(tmp_path / "small", "64k") as place:
        yield place


@needs_mounts
def test_a_full_disk_leaves_no_part_and_says_what_is_needed(small_disk: Path) -> None:
    """F11."""
    store = BackupStore(small_disk / "store")
    add(store, FIRST)
    with pytest.raises(StoreError) as caught:
        add(store, LARGE)
    assert caught.value.code == "disk-full"
    assert "200,000 bytes are needed" in str(caught.value)
    assert "are free" in str(caught.value)
    assert len(look_at_store(store.folder).backups) == 1
    assert len(list((store.folder / "files").iterdir())) == 1
    assert all(item.result == "pass" for item in store.check())
    with pytest.raises(StoreError):
        write_new(small_disk / "out.bin", LARGE.data)
    assert not (small_disk / "out.bin").exists()


@needs_mounts
def test_a_disk_that_is_full_to_the_last_byte_leaves_the_store_as_it_was(small_disk: Path) -> None:
    store = BackupStore(small_disk / "store")
    add(store, FIRST)
    with (small_disk / "filler").open("wb", buffering=0) as file:
        for size in (4096, 1):
            try:
                while True:
                    file.write(bytes(size))
            except OSError:
                continue
    with pytest.raises(StoreError) as caught:
        add(store, SECOND)
    assert caught.value.code in ("disk-full", "store-failed")
    (small_disk / "filler").unlink()
    assert all(item.result == "pass" for item in store.check())
    add(store, SECOND)
    assert all(item.result == "pass" for item in store.check())


@needs_mounts
@needs("mkfs.ext4")
def test_errors_that_come_at_fsync_only_are_no_success(tmp_path: Path) -> None:
    """F07: every write succeeds, and the bytes are lost."""
    with over_full_loop(tmp_path / "loop") as place:
        failed = 0
        for number in range(40):
            data = invented_bytes(number, 500_000)
            path = place / f"out-{number}.bin"
            try:
                write_new(path, data)
            except StoreError:
                failed += 1
                assert not path.exists()
            else:
                assert path.read_bytes() == data
        assert failed > 0


@needs_mounts
@pytest.mark.parametrize("how", ["remount", "bind"])
def test_a_read_only_store_is_read_and_not_written(tmp_path: Path, how: str) -> None:
    """F12."""
    with memory_disk(tmp_path / "disk", "4m") as disk:
        entry = add(BackupStore(disk / "store"), FIRST)
        if how == "remount":
            run("mount", "-o", "remount,ro", disk)
            assert_readable_only(BackupStore(disk / "store"), entry.id)
        else:
            with mounted(tmp_path / "bound", "mount", "--bind", disk) as bound:
                run("mount", "-o", "remount,bind,ro", bound)
                assert_readable_only(BackupStore(bound / "store"), entry.id)


def assert_readable_only(store: BackupStore, backup_id: str) -> None:
    assert store.require_receipt(backup_id).entry.id == backup_id
    assert all(item.result == "pass" for item in store.check())
    with pytest.raises(StoreError, match="ead-only"):
        add(store, SECOND)
    with pytest.raises(StoreError) as caught:
        write_new(store.folder.parent / "out.bin", b"x")
    assert caught.value.code == "read-only"
    assert probe_folder(store.folder).problem is not None


@needs_mounts
@needs("chattr")
def test_an_immutable_store_is_told(tmp_path: Path) -> None:
    """F12."""
    store = BackupStore(tmp_path / "store")
    add(store, FIRST)
    parts = [store.folder / name for name in ("files", "records", "journal.jsonl")]
    run("chattr", "+i", *parts)
    try:
        with pytest.raises(StoreError) as caught:
            add(store, SECOND)
        assert caught.value.code == "no-permission"
        assert all(item.result == "pass" for item in store.check())
    finally:
        run("chattr", "-i", *parts)


@needs_root
def test_a_store_of_another_user_is_told_and_still_read(tmp_path: Path) -> None:
    """F12, F35: root ignores modes, so this runs as an unprivileged user."""
    shared = Path(tempfile.gettempdir())
    for folder in (tmp_path, *tmp_path.parents):
        if shared in folder.parents:
            folder.chmod(0o755)
    store = BackupStore(tmp_path / "store")
    add(store, FIRST)
    # A store is its user's alone; this user has opened it for others to read.
    for path in (tmp_path / "store", *(tmp_path / "store").rglob("*")):
        path.chmod(path.stat().st_mode | (0o055 if path.is_dir() else 0o044))
    secret = tmp_path / "secret.bin"
    secret.write_bytes(b"x")
    secret.chmod(0o600)
    child = os.fork()
    if child == 0:
        outcome = 128  # The child must end here, whatever happens: it is a copy of pytest.
        try:
            os.setgid(65534)
            os.setuid(65534)
            seen = 1 * (error_code(lambda: add(store, SECOND)) != "cannot-lock")
            seen |= 2 * (len(store.entries()) != 1)
            seen |= 4 * any(item.result == "fail" for item in store.check())
            seen |= 8 * (error_code(lambda: write_new(tmp_path / "x", b"x")) != "no-permission")
            outcome = seen
        finally:
            os._exit(outcome)
    _, status = os.waitpid(child, 0)
    assert os.waitstatus_to_exitcode(status) == 0


def error_code(attempt: Callable[[], object]) -> str | None:
    try:
        attempt()
    except StoreError as error:
        return error.code
    return None


@needs_mounts
@pytest.mark.parametrize("stick", STICKS)
def test_a_store_works_on_a_stick(tmp_path: Path, stick: Stick) -> None:
    """F24, F25."""
    with stick(tmp_path / "stick") as place:
        store = BackupStore(place / "store", also=place / "also")
        entry = add(store, FIRST, SECOND)
        assert add(store, FIRST, SECOND) == entry
        assert store.require_receipt(entry.id)
        assert [item for item in store.check() if item.result != "pass"] == []
        copy = place / "store" / "files" / FIRST.file_sha256
        copy.write_bytes(b"rotten")
        with pytest.raises(StoreError):
            store.require_receipt(entry.id)
        store.repair(time=TIME)
        assert [item for item in store.check() if item.result != "pass"] == []
        system = probe_folder(place).file_system
        assert system is not None
        assert not system.tells_case_apart
        assert not system.nameless_files


@needs_mounts
@pytest.mark.parametrize("stick", STICKS)
def test_a_name_that_differs_in_case_is_the_same_file_there(tmp_path: Path, stick: Stick) -> None:
    """F15, F24."""
    with stick(tmp_path / "stick") as place:
        (place / "dump.bin").write_bytes(FIRST.data)
        with pytest.raises(RefusalError):
            write_new(place / "DUMP.BIN", b"blank")
        assert (place / "dump.bin").read_bytes() == FIRST.data
        write_new(place / "out.bin", SECOND.data)
        assert (place / "OUT.BIN").read_bytes() == SECOND.data


@needs_mounts
@NEEDS_EXFAT
def test_a_stick_that_is_full_keeps_no_part(tmp_path: Path) -> None:
    with exfat_stick(tmp_path / "stick") as place:
        with pytest.raises(StoreError):
            write_new(place / "out.bin", bytes(9_000_000))
        assert list(place.iterdir()) == []
        with pytest.raises((StoreError, OSError)):
            write_new(place / "a:b", b"x")


@needs_mounts
def test_a_bind_mount_of_the_source_is_the_source(tmp_path: Path) -> None:
    """F15."""
    (tmp_path / "source").mkdir()
    (tmp_path / "source" / "dump.bin").write_bytes(FIRST.data)
    with mounted(tmp_path / "bound", "mount", "--bind", tmp_path / "source") as bound:
        with pytest.raises(RefusalError):
            write_new(bound / "dump.bin", b"blank")
        assert (tmp_path / "source" / "dump.bin").read_bytes() == FIRST.data


LIMITED = """
import resource, sys
from pathlib import Path
from memtool.errors import MemtoolError
from memtool.store.backups import BackupStore
from memtool.store.writing import write_new
from tests.faults.scene import FIRST, add
limit = getattr(resource, sys.argv[1])
resource.setrlimit(limit, (int(sys.argv[2]), int(sys.argv[2])))
try:
    if sys.argv[3] == "add":
        add(BackupStore(Path("store")), FIRST)
    else:
        write_new(Path("out.bin"), bytes(5_000_000))
except MemtoolError as error:
    sys.stdout.write(error.code)
"""


@pytest.mark.parametrize(
    ("limit", "value", "what", "codes"),
    [
        ("RLIMIT_FSIZE", 100_000, "write", {"disk-full"}),
        ("RLIMIT_FSIZE", 10, "add", {"disk-full"}),
        ("RLIMIT_NOFILE", 5, "add", {"write-failed", "store-failed", "cannot-lock"}),
        ("RLIMIT_NOFILE", 3, "write", {"write-failed"}),
    ],
)
def test_limits_of_the_process_leave_nothing_half(
    tmp_path: Path, limit: str, value: int, what: str, codes: set[str]
) -> None:
    """F38."""
    assert hasattr(resource, limit)
    done = subprocess.run(
        [sys.executable, "-c", LIMITED, limit, str(value), what],
        cwd=tmp_path,
        env=os.environ | {"PYTHONPATH": str(ROOT)},
        capture_output=True,
        text=True,
    )
    assert done.stdout in codes, done.stderr
    assert not (tmp_path / "out.bin").exists()
    seen = look_at_store(tmp_path / "store")
    assert not seen.backups
    assert not seen.torn_files
    add(BackupStore(tmp_path / "store"), FIRST)
    assert all(item.result == "pass" for item in BackupStore(tmp_path / "store").check())
