"""Store, jobs and reports belong to the user alone, whatever the user's mask allows."""

from __future__ import annotations

import os
import stat
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from memtool.store import shape
from memtool.store.backups import BackupStore
from memtool.store.journal import append_entry
from memtool.store.layouts import add_to_library
from memtool.store.locking import hold_lock
from memtool.store.register import keep_row
from memtool.store.writing import make_folder
from tests.build import LAYOUT
from tests.store.test_store_version import ROW, TIME, add
from tests.workflow.jobs import new_bench

pytestmark = pytest.mark.skipif(os.name != "posix", reason="Windows has no modes")


@contextmanager
def masked(mask: int) -> Iterator[None]:
    """What is made inside, by child processes too, has this mask."""
    old = os.umask(mask)
    try:
        yield
    finally:
        os.umask(old)


def modes_in(folder: Path) -> dict[str, int]:
    """Mode of everything in a folder, and of the folder itself, by path."""
    return {
        path.relative_to(folder).as_posix(): stat.S_IMODE(path.lstat().st_mode)
        for path in (folder, *folder.rglob("*"))
    }


def assert_own(folder: Path, *, least: int) -> None:
    modes = modes_in(folder)
    assert len(modes) >= least
    assert {name: oct(mode) for name, mode in modes.items() if mode & 0o077} == {}


@pytest.mark.parametrize("mask", [0, 0o077])
def test_everything_that_the_store_makes_is_the_users_own(tmp_path: Path, mask: int) -> None:
    (tmp_path / "module.toml").write_text(LAYOUT)
    with masked(mask):
        store = BackupStore(tmp_path / "above" / "store", also=tmp_path / "second")
        add(store, bytes(128))
        keep_row(store.folder, ROW)
        make_folder(tmp_path / "jobs" / "job")
        append_entry(tmp_path / "jobs" / "job" / "journal", kind="a", facts={}, time=TIME)
        append_entry(tmp_path / "jobs" / "job" / "journal", kind="b", facts={}, time=TIME)
        with hold_lock(tmp_path / "jobs" / "lock"):
            pass
        add_to_library(tmp_path / "module.toml", tmp_path / "layouts")
        (store.folder / "README.txt").unlink()
        store.repair(time=TIME)
    for name, least in (("above", 10), ("second", 8), ("jobs", 4), ("layouts", 2)):
        assert_own(tmp_path / name, least=least)
    kept = modes_in(store.folder / "files")
    assert sorted(kept.values()) == [0o400, 0o700]


def test_a_whole_job_is_the_users_own(tmp_path: Path) -> None:
    with masked(0):
        bench = new_bench(tmp_path / "bench")
        assert bench.start().returncode == 0
        assert bench.blank("--out", "out.bin").returncode == 0
        assert bench.in_job("report").returncode == 0
        assert bench.in_job("job", "export", "whole.zip").returncode == 0
    assert_own(bench.folder / "job", least=10)
    assert_own(bench.folder / "store", least=10)
    for name in ("out.bin", "whole.zip"):
        assert stat.S_IMODE((bench.folder / name).stat().st_mode) == 0o600


def test_a_store_that_was_open_to_others_is_closed_once_it_is_taken_over(tmp_path: Path) -> None:
    """A store of version 1 was made for every user to read; later modes are the user's choice."""
    store = BackupStore(tmp_path / "store")
    add(store, bytes(128))
    marker = store.folder / "store.json"
    marker.chmod(0o600)
    marker.write_bytes(shape.OLD_MARKER_DATA)
    store.folder.chmod(0o755)
    add(store, b"\1" * 128)
    assert stat.S_IMODE(store.folder.stat().st_mode) == 0o700
    store.folder.chmod(0o750)
    add(store, b"\2" * 128)
    assert stat.S_IMODE(store.folder.stat().st_mode) == 0o750
