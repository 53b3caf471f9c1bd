"""A store of version 1 is read, becomes version 2 when it is written to, and no step is lost."""

from __future__ import annotations

import hashlib
import json
from dataclasses import replace
from pathlib import Path

import pytest

from memtool.core.job.register import JobRow
from memtool.core.read_options import ImageFormat, ReadOptions
from memtool.core.role import Role
from memtool.errors import StoreError
from memtool.store import shape
from memtool.store.backups import BackupStore, NewRead
from memtool.store.folder import Folder
from memtool.store.register import keep_row, read_row, read_rows
from memtool.store.writing import replace_in

TIME = "2026-03-01T10:00:00+01:00"
OLD_README_SHA256 = "3bbf1864ee406889c841736d9db45ecc3bb9aed0a005d5dd03c70b2336d2a6a4"
"""Of the README that version 0.1.0 wrote."""
ROW = JobRow(
    id="0123456789abcdef",
    folder="/bench/order-17",
    opened=TIME,
    work_order="A-17",
    vehicle_vin="11111111111111111",
    vins=("1M8GDM9AXKP042788",),
    parts=("DZ-4107-C",),
    images=("aa" * 32,),
    stage="reads kept",
    entries=3,
    last="bb" * 32,
)


def read(text: bytes) -> NewRead:
    digest = hashlib.sha256(text).hexdigest()
    return NewRead(
        name="d.bin",
        data=text,
        file_sha256=digest,
        sha256=digest,
        options=ReadOptions(format=ImageFormat.RAW),
        size=len(text),
    )


def add(store: BackupStore, text: bytes) -> str:
    entry = store.add(
        [read(text)], role=Role.DONOR, chip="24C01", single_read_reason=None, added=TIME
    )
    return entry.id


@pytest.fixture
def old(tmp_path: Path) -> BackupStore:
    """A store in the shape of version 1, with one backup."""
    store = BackupStore(tmp_path / "store")
    add(store, bytes(128))
    for name, data in (
        ("README.txt", shape.OLD_README_DATA),
        ("store.json", b'{"format": "benchimage.store/1"}\n'),
    ):
        (store.folder / name).chmod(0o600)
        (store.folder / name).write_bytes(data)
    (store.folder / "jobs").rmdir()
    return store


def version_of(store: BackupStore) -> str:
    return str(json.loads((store.folder / "store.json").read_bytes())["format"])


def test_the_old_readme_is_the_one_that_the_released_version_wrote() -> None:
    assert hashlib.sha256(shape.OLD_README_DATA).hexdigest() == OLD_README_SHA256


def test_a_store_of_version_1_is_read_and_checked_as_it_is(old: BackupStore) -> None:
    assert len(old.entries()) == 1
    assert all(item.result == "pass" for item in old.check())
    assert read_rows(old.folder) == ()
    assert version_of(old) == "benchimage.store/1"


def test_the_first_write_makes_version_2_and_keeps_every_backup(old: BackupStore) -> None:
    first = old.entries()
    add(old, bytes(127) + b"\1")
    assert version_of(old) == "benchimage.store/2"
    assert old.entries()[:1] == first
    assert all(item.result == "pass" for item in old.check())
    keep_row(old.folder, ROW)
    assert read_rows(old.folder) == (ROW,)


@pytest.mark.parametrize("cut_before", ["README.txt", "store.json"])
def test_a_step_that_was_cut_off_is_done_by_the_next_run(
    old: BackupStore, cut_before: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    def cut(folder: Folder, name: str, data: bytes, *, read_only: bool = False) -> None:
        if name == cut_before:
            raise KeyboardInterrupt
        replace_in(folder, name, data, read_only=read_only)

    with monkeypatch.context() as patched:
        patched.setattr(shape, "replace_in", cut)
        with pytest.raises(KeyboardInterrupt):
            add(old, b"\2" * 128)
    assert version_of(old) == "benchimage.store/1"
    assert len(old.entries()) == 1
    add(old, b"\2" * 128)
    assert version_of(old) == "benchimage.store/2"
    assert all(item.result == "pass" for item in old.check())


def test_a_store_of_version_1_takes_no_row_before_it_is_version_2(old: BackupStore) -> None:
    (old.folder / "jobs").mkdir()
    with pytest.raises(StoreError) as caught:
        keep_row(old.folder, ROW)
    assert caught.value.code == "no-register"


def test_a_row_is_replaced_by_a_later_one_and_by_no_earlier_one(tmp_path: Path) -> None:
    store = BackupStore(tmp_path / "store")
    add(store, bytes(128))
    later = replace(ROW, entries=9, last="cc" * 32)
    for row in (ROW, later, ROW):
        keep_row(store.folder, row)
    assert read_row(store.folder, ROW.id) == later
    moved = replace(later, folder="/elsewhere/order-17")
    keep_row(store.folder, moved)
    assert read_row(store.folder, ROW.id) == moved
    assert read_row(store.folder, "f" * 16) is None


@pytest.mark.parametrize(
    "damage",
    [b"", b"{}", b"[", b'{"format": "benchimage.job-row/2"}', "entries", "vins", "stage", "id"],
)
def test_a_damaged_row_is_named_and_made_anew(tmp_path: Path, damage: bytes | str) -> None:
    store = BackupStore(tmp_path / "store")
    add(store, bytes(128))
    keep_row(store.folder, ROW)
    path = store.folder / "jobs" / f"{ROW.id}.json"
    if isinstance(damage, str):
        damage = json.dumps({**json.loads(path.read_bytes()), damage: None}).encode()
    path.write_bytes(damage)
    assert read_rows(store.folder) == ()
    with pytest.raises(StoreError) as caught:
        read_row(store.folder, ROW.id)
    assert caught.value.code == "row-damaged"
    failed = [item for item in store.check() if item.result == "fail"]
    assert [item.id for item in failed] == [f"jobs/{ROW.id}.json"]
    assert "job adopt" in failed[0].text
    keep_row(store.folder, ROW)
    assert read_row(store.folder, ROW.id) == ROW


@pytest.mark.parametrize(
    ("text", "fits"),
    [
        *(("a-17", True), ("ORDER-17", True), ("order", True), ("dz-4107", True)),
        *(("042788", True), ("1M8GDM9AXKP042788", True), ("1m8gdm9 axkp04 2788", True)),
        ("111111", True),
        *(("aaaaaa", True), ("01234567", True), ("aaaaa", False), ("bench", False)),
        *(("", False), (" ", False), ("1M8GDM9", False), ("18", False)),
    ],
)
def test_a_job_is_found_by_what_people_know_of_it(text: str, fits: bool) -> None:
    assert ROW.matches(text) is fits
