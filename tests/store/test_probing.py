"""What a place on disk can do, with each ability taken away in turn."""

from __future__ import annotations

import errno
import os
import shutil
from collections.abc import Callable
from dataclasses import asdict
from pathlib import Path
from typing import Any

import pytest

from memtool.errors import StoreError
from memtool.store import probing
from memtool.store.folder import Folder
from memtool.store.probing import FileSystem, probe_folder
from tests.faults.scene import scratch

pytestmark = pytest.mark.skipif(not hasattr(os, "O_TMPFILE"), reason="needs Linux")
ALL = FileSystem(
    nameless_files=True,
    hard_links=True,
    folder_sync=True,
    locks=True,
    tells_case_apart=True,
    keeps_modes=True,
)


def failing(number: int) -> Callable[..., Any]:
    def call(*_: Any, **__: Any) -> Any:
        raise OSError(number, os.strerror(number))

    return call


def test_a_file_system_in_memory_can_do_all_and_is_left_as_it_was() -> None:
    with scratch() as place:
        found = probe_folder(place)
        assert list(place.iterdir()) == []
        assert found.tried_in == place
        assert found.problem is None
        assert found.file_system == ALL
        assert found.free_bytes is not None
        assert found.free_bytes > 0


def test_a_place_that_is_not_there_is_tried_above(tmp_path: Path) -> None:
    assert probe_folder(tmp_path / "a" / "b").tried_in == tmp_path


def test_a_place_that_cannot_be_written_says_why(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(Folder, "make", failing(errno.EROFS))
    found = probe_folder(tmp_path)
    assert found.tried_in is None
    assert found.file_system is None
    assert found.problem == f"nothing can be written in {tmp_path}: Read-only file system"
    assert found.free_bytes is not None


def test_what_is_free_may_stay_unknown(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(shutil, "disk_usage", failing(errno.EIO))
    found = probe_folder(tmp_path)
    assert found.free_bytes is None
    assert found.file_system is not None


@pytest.mark.parametrize("ability", list(asdict(ALL)))
def test_what_a_place_cannot_do_is_told_alone(
    monkeypatch: pytest.MonkeyPatch, ability: str
) -> None:
    real_open, real_status = os.open, Folder.status

    def no_nameless(path: Any, flags: int, *more: Any, **options: Any) -> int:
        if flags & os.O_TMPFILE == os.O_TMPFILE:
            raise OSError(errno.EOPNOTSUPP, os.strerror(errno.EOPNOTSUPP))
        return real_open(path, flags, *more, **options)

    def blind_to_case(folder: Folder, name: str) -> os.stat_result | None:
        return real_status(folder, name.lower())

    def locked(*_: Any, **__: Any) -> Any:
        raise StoreError("no locks", code="cannot-lock")

    changes: dict[str, tuple[Any, str, Any]] = {
        "nameless_files": (os, "open", no_nameless),
        "hard_links": (os, "link", failing(errno.EPERM)),
        "folder_sync": (os, "fsync", failing(errno.EINVAL)),
        "locks": (probing, "hold_lock", locked),
        "tells_case_apart": (Folder, "status", blind_to_case),
        "keeps_modes": (Path, "chmod", lambda *_: None),
    }
    with scratch() as place:
        monkeypatch.setattr(*changes[ability])
        found = probe_folder(place).file_system
        monkeypatch.undo()
        assert found is not None
        assert asdict(found) == {**asdict(ALL), ability: False}


def test_the_nameless_file_of_the_trial_is_private(monkeypatch: pytest.MonkeyPatch) -> None:
    modes = []
    real = os.open

    def noted(path: Any, flags: int, mode: int = 0o777, **options: Any) -> int:
        if flags & os.O_TMPFILE == os.O_TMPFILE:
            modes.append((mode, bool(flags & os.O_CLOEXEC), flags & os.O_ACCMODE))
        return real(path, flags, mode, **options)

    with scratch() as place:
        monkeypatch.setattr(os, "open", noted)
        probe_folder(place)
        monkeypatch.undo()
    assert modes == [(0o600, True, os.O_RDWR)]
