"""What `backup check` says of each item, word for word where a person acts on the words."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterator
from pathlib import Path

import pytest

from memtool.core.finding import Verdict
from memtool.store.backups import BackupStore
from memtool.store.checking import StoreItem
from tests.faults.scene import FIRST, SECOND, add, scratch


@pytest.fixture
def store() -> Iterator[BackupStore]:
    with scratch() as folder:
        store = BackupStore(folder / "store")
        add(store, FIRST)
        add(store, SECOND)
        yield store


def texts_of(items: tuple[StoreItem, ...], result: Verdict = Verdict.PASS) -> list[str]:
    return [item.text for item in items if item.result is result]


def overwrite(path: Path, data: bytes) -> None:
    path.chmod(0o600)
    path.write_bytes(data)


@pytest.mark.parametrize(
    ("full", "said"),
    [
        (True, "Every byte is unchanged."),
        (False, "Record, names and sizes match; the bytes were not read."),
    ],
)
def test_a_sound_store_says_of_each_backup_how_far_it_was_looked_at(
    store: BackupStore, full: bool, said: str
) -> None:
    items = store.check(full=full)
    assert [item.id for item in items] == [entry.id for entry in store.entries()]
    assert texts_of(items) == [said, said]


def test_a_damaged_backup_is_not_called_sound_as_well(store: BackupStore) -> None:
    overwrite(store.folder / "files" / FIRST.file_sha256, bytes(len(FIRST.data)))
    items = store.check()
    assert len(texts_of(items, Verdict.FAIL)) == 1
    assert texts_of(items) == ["Every byte is unchanged."]


@pytest.mark.parametrize("full", [True, False])
def test_a_copy_without_a_record_says_whether_it_is_whole(store: BackupStore, full: bool) -> None:
    folder = store.folder / "files"
    (folder / hashlib.sha256(b"whole").hexdigest()).write_bytes(b"whole")
    (folder / ("ab" * 32)).write_bytes(b"half")
    left_over = "No record names it: left over from an interrupted run; add it again."
    texts = {item.id: item.text for item in store.check(full=full) if item.id.startswith("files/")}
    assert texts.pop(f"files/{hashlib.sha256(b'whole').hexdigest()}") == left_over
    (text,) = texts.values()
    if full:
        assert text.startswith("No record names it, and it ")
        assert text.endswith(": left over.")
    else:
        assert text == left_over


def test_a_copy_of_another_image_is_told_with_the_images_digest(store: BackupStore) -> None:
    """The record's own digest is right; only the image that it names is another."""
    record = sorted((store.folder / "records").iterdir())[0]
    members = json.loads(record.read_bytes())
    members["reads"][0]["sha256"] = "0123456789abcdef" * 4
    data = (json.dumps(members, indent=2) + "\n").encode()
    record.unlink()
    record.with_name(f"000001-{hashlib.sha256(data).hexdigest()}.json").write_bytes(data)
    copy = f"The copy files/{FIRST.file_sha256}"
    wanted = f"{copy} does not hold the image 0123456789ab that its record names."
    assert wanted in texts_of(store.check(), Verdict.FAIL)


def test_a_changed_record_is_told_in_a_whole_sentence(store: BackupStore) -> None:
    record = sorted((store.folder / "records").iterdir())[0]
    size = record.stat().st_size
    overwrite(record, record.read_bytes()[:-2] + b" \n")
    assert (
        f"The record was changed or is incomplete: its {size:,} bytes do not match its name."
        in texts_of(store.check(), Verdict.FAIL)
    )


def test_a_damaged_journal_is_told_with_its_line_where_there_is_one(store: BackupStore) -> None:
    journal = store.folder / "journal.jsonl"
    lines = journal.read_bytes().splitlines(keepends=True)
    journal.write_bytes(lines[0] + lines[1].replace(b"added", b"addee"))
    assert "Line 2: the entry was changed: its own digest does not match." in (
        texts_of(store.check(), Verdict.FAIL)
    )
    journal.unlink()
    journal.mkdir()
    (text,) = [item.text for item in store.check() if item.id == "journal.jsonl"]
    assert not text.startswith("Line")
