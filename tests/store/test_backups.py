"""The backup store: what is kept, what a receipt proves, how one store helps the other."""

from __future__ import annotations

import hashlib
import json
import os
import shutil
import subprocess
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from memtool.core.job.backup import Backup
from memtool.core.read_options import ImageFormat, ReadOptions
from memtool.core.role import Role
from memtool.errors import RefusalError, StoreError, UsageError
from memtool.store.backups import BackupStore, NewRead
from memtool.workflow.places import default_store_folder
from tests.faults.invariants import journal_lines, look_at_store
from tests.faults.scene import FIRST, SECOND, TIME, add, invented_bytes, make_read, scratch

HEX_FILE = b":10000000000102030405060708090A0B0C0D0E0F78\r\n:00000001FF\r\n"
"""Sixteen counting bytes; sums by hand: 0x10 + 0x78 + (0 + ... + 15) = 0x100."""


@pytest.fixture
def tmp_path() -> Iterator[Path]:
    """In memory: what is told here does not depend on a disk, and a disk is slow."""
    with scratch() as folder:
        yield folder


@pytest.fixture
def store(tmp_path: Path) -> BackupStore:
    return BackupStore(tmp_path / "store")


def overwrite(path: Path, data: bytes) -> None:
    path.chmod(0o600)
    path.write_bytes(data)


def tree_of(folder: Path) -> dict[str, tuple[bytes, int]]:
    return {
        str(path.relative_to(folder)): (path.read_bytes(), path.stat().st_mtime_ns)
        for path in folder.rglob("*")
        if path.is_file()
    }


def test_every_read_is_kept_as_the_very_file(store: BackupStore) -> None:
    entry = add(store, FIRST, SECOND)
    assert [read.name for read in entry.reads] == ["first.bin", "second.bin"]
    assert store.read_file_of(entry, 0) == FIRST.data
    assert store.read_file_of(entry, 1) == SECOND.data
    assert entry.agree is False
    assert entry.sha256 == FIRST.sha256
    assert store.entries() == (entry,)
    assert store.entry(entry.id) == entry
    seen = look_at_store(store.folder)
    assert list(seen.backups.values()) == [(FIRST.file_sha256, SECOND.file_sha256)]


def test_the_store_is_checked_by_common_tools_alone(store: BackupStore) -> None:
    add(store, FIRST, SECOND)
    printed = subprocess.run(
        "sha256sum files/* records/*",
        shell=True,
        cwd=store.folder,
        capture_output=True,
        text=True,
        check=True,
    ).stdout
    for line in printed.splitlines():
        digest, name = line.split()
        assert digest in name
    readme = (store.folder / "README.txt").read_text(encoding="ascii")
    assert max(map(len, readme.splitlines())) <= 90
    assert "sha256sum files/* records/*" in readme


def test_a_backup_is_got_back_by_hand_as_the_readme_says(store: BackupStore) -> None:
    add(store, FIRST)
    record = json.loads(next((store.folder / "records").iterdir()).read_text())
    read = record["reads"][0]
    assert read["name"] == "first.bin"
    assert (store.folder / "files" / read["file_sha256"]).read_bytes() == FIRST.data


def test_the_same_again_is_the_same_backup_and_nothing_is_rewritten(store: BackupStore) -> None:
    """F14."""
    entry = add(store, FIRST)
    before = tree_of(store.folder)
    assert add(store, replace(FIRST, name="other name.bin")) == entry
    assert tree_of(store.folder) == before


def test_other_reads_role_chip_or_reason_are_other_backups(store: BackupStore) -> None:
    def keep(
        *reads: NewRead,
        role: Role = Role.DONOR,
        chip: str = "24C04",
        reason: str | None = "x",
    ) -> Backup:
        return store.add(reads, role=role, chip=chip, single_read_reason=reason, added=TIME)

    first = keep(FIRST)
    others = [
        keep(FIRST, role=Role.ORIGINAL),
        keep(FIRST, chip="24C02"),
        keep(FIRST, reason=None),
        keep(FIRST, SECOND),
        keep(replace(FIRST, options=replace(FIRST.options, base=16))),
    ]
    assert len({first.id, *(entry.id for entry in others)}) == 6
    assert len(list((store.folder / "files").iterdir())) == 2
    assert store.entries() == (first, *others)


def test_the_order_is_that_of_adding_whatever_the_clock_says(store: BackupStore) -> None:
    """F23: back, forward, the same second, other zones, 1970 and 2100."""
    times = [
        *("2026-03-01T10:00:00+01:00", "1970-01-01T00:00:00+00:00", "2100-12-31T23:59:59+14:00"),
        *("2026-10-25T02:30:00+02:00", "2026-10-25T02:30:00+01:00", "2026-10-25T02:30:00+01:00"),
    ]
    added = [
        store.add(
            [make_read(invented_bytes(number))],
            role=Role.DONOR,
            chip="24C04",
            single_read_reason=None,
            added=time,
        )
        for number, time in enumerate(times)
    ]
    assert store.entries() == tuple(added)
    assert all(item.result == "pass" for item in store.check())


def test_a_receipt_is_made_from_the_stored_copy(store: BackupStore) -> None:
    entry = add(store, FIRST, FIRST)
    receipt = store.require_receipt(entry.id)
    assert receipt.entry == entry
    assert receipt.image_sha256 == hashlib.sha256(FIRST.data).hexdigest()


def test_a_hex_file_is_parsed_again_for_its_receipt(store: BackupStore) -> None:
    image = bytes(range(16))
    read = replace(
        make_read(HEX_FILE, "dump.hex"),
        sha256=hashlib.sha256(image).hexdigest(),
        options=ReadOptions(format=ImageFormat.INTEL_HEX),
        size=16,
    )
    entry = add(store, read)
    assert store.require_receipt(entry.id).image_sha256 == hashlib.sha256(image).hexdigest()
    assert store.image_of(entry, 0).image.segments[0].data == image
    assert store.read_file_of(entry, 0) == HEX_FILE


@pytest.mark.parametrize("index", [0, 1])
@pytest.mark.parametrize(
    ("damage", "words"),
    [
        (lambda data: data[:-1], "is cut short: 511 of 512 bytes"),
        (lambda data: data + b"x", "is too long: 513 bytes instead of 512"),
        (lambda data: b"", "is empty"),
        (lambda data: data[:100] + bytes([data[100] ^ 1]) + data[101:], "its bytes are not"),
        (None, "is missing"),
    ],
    ids=["truncated", "extended", "emptied", "one bit", "deleted"],
)
def test_a_damaged_copy_gets_no_receipt_and_is_named(
    store: BackupStore, index: int, damage: object, words: str
) -> None:
    """F20."""
    entry = add(store, FIRST, SECOND)
    path = store.folder / "files" / entry.reads[index].file_sha256
    if damage is None:
        path.unlink()
    else:
        overwrite(path, damage(path.read_bytes()))  # type: ignore[operator]
    with pytest.raises(StoreError, match=words):
        store.require_receipt(entry.id)
    failed = [item for item in store.check() if item.result == "fail"]
    assert [item.id for item in failed] == [entry.id]
    assert words in failed[0].text
    assert path.name in failed[0].text


def test_two_swapped_copies_are_both_found(store: BackupStore) -> None:
    entry = add(store, FIRST, SECOND)
    files = store.folder / "files"
    (files / FIRST.file_sha256).rename(files / "x")
    (files / SECOND.file_sha256).rename(files / FIRST.file_sha256)
    (files / "x").rename(files / SECOND.file_sha256)
    assert sum(item.result == "fail" for item in store.check()) == 2
    with pytest.raises(StoreError):
        store.require_receipt(entry.id)


def test_a_copy_that_no_longer_holds_the_image_is_found(store: BackupStore) -> None:
    """A record of another image over a whole file: digests fit, the image does not."""
    entry = add(
        store,
        replace(FIRST, sha256="0" * 64),
        replace(SECOND, options=ReadOptions(format=ImageFormat.S_RECORD)),
    )
    with pytest.raises(StoreError) as caught:
        store.require_receipt(entry.id)
    assert caught.value.code == "image-changed"
    with pytest.raises(StoreError) as caught:
        store.image_of(entry, 1)
    assert caught.value.code == "copy-not-understood"
    assert sum("does not hold the image" in item.text for item in store.check()) == 2


def test_bytes_that_changed_in_memory_are_not_kept(store: BackupStore) -> None:
    """I4: the digest is that of the bytes that were read, not of what they became."""
    with pytest.raises(StoreError) as caught:
        add(store, replace(FIRST, data=FIRST.data[:-1] + b"x"))
    assert caught.value.code == "verify-failed"
    assert store.entries() == ()


def test_a_damaged_copy_is_set_aside_when_the_read_is_added_again(store: BackupStore) -> None:
    entry = add(store, FIRST)
    path = store.folder / "files" / FIRST.file_sha256
    overwrite(path, b"rotten")
    assert add(store, FIRST) == entry
    assert path.read_bytes() == FIRST.data
    aside = list((store.folder / "set-aside").iterdir())
    assert [item.read_bytes() for item in aside] == [b"rotten"]
    lines, _ = journal_lines(store.folder / "journal.jsonl")
    assert [line["kind"] for line in lines] == ["backup-added", "item-set-aside"]
    assert all(item.result == "pass" for item in store.check())


def test_a_missing_copy_comes_back_when_the_read_is_added_again(store: BackupStore) -> None:
    add(store, FIRST)
    (store.folder / "files" / FIRST.file_sha256).unlink()
    add(store, FIRST)
    assert all(item.result == "pass" for item in store.check())


def test_empty_names_of_a_killed_run_are_taken_over(store: BackupStore) -> None:
    """Where there are no links, a kill can leave an empty file under the final name."""
    for folder in ("files", "records"):
        (store.folder / folder).mkdir(parents=True)
    (store.folder / "store.json").touch()
    (store.folder / "README.txt").touch()
    (store.folder / ".unfinished-00112233445566778899aabbccddeeff").touch()
    entry = add(store, FIRST)
    overwrite(store.folder / "files" / FIRST.file_sha256, b"")
    add(store, FIRST)
    assert store.require_receipt(entry.id)
    assert all(item.result == "pass" for item in store.check())


def test_at_least_one_read(store: BackupStore) -> None:
    with pytest.raises(ValueError, match="at least one"):
        add(store)


def test_an_id_may_be_shortened_and_typed_in_capitals(store: BackupStore) -> None:
    entry = add(store, FIRST)
    assert store.entry(entry.id[:4].upper()) == entry
    assert store.entry(store.entries()[0].id + "") == entry
    for asked in ("", "000", entry.id[:3], "0" * 12, "../../x", "\0"):
        with pytest.raises(UsageError) as caught:
            store.entry(asked)
        assert caught.value.code == "no-such-backup"


def test_a_store_that_is_not_there_lists_nothing_and_proves_nothing(tmp_path: Path) -> None:
    store = BackupStore(tmp_path / "nowhere")
    assert store.entries() == ()
    assert store.damaged_records() == ()
    for attempt in (store.check, lambda: store.entry("0000"), lambda: store.repair(time=TIME)):
        with pytest.raises(StoreError) as caught:
            attempt()
        assert caught.value.code == "no-store"
    assert not (tmp_path / "nowhere").exists()


def test_an_empty_folder_becomes_a_store_and_a_full_one_does_not(tmp_path: Path) -> None:
    store = BackupStore(tmp_path)
    assert store.entries() == ()
    (tmp_path / "holiday.jpg").write_bytes(b"x")
    with pytest.raises(RefusalError) as caught:
        add(store, FIRST)
    assert caught.value.code == "not-a-store"
    assert {path.name for path in tmp_path.iterdir()} <= {"holiday.jpg", "lock"}
    (tmp_path / "holiday.jpg").unlink()
    add(store, FIRST)
    assert len(store.entries()) == 1


@pytest.mark.parametrize("part", ["store", "store/files", "store/records", "above/store"])
def test_a_folder_that_is_a_link_is_refused(tmp_path: Path, part: str) -> None:
    """F16. Above the store links are the user's own business."""
    store = BackupStore(tmp_path / "store")
    add(store, FIRST)
    elsewhere = tmp_path / "elsewhere"
    if part == "above/store":
        (tmp_path / "link").symlink_to(tmp_path)
        assert len(BackupStore(tmp_path / "link" / "store").entries()) == 1
        return
    (tmp_path / part).rename(elsewhere)
    (tmp_path / part).symlink_to(elsewhere)
    before = tree_of(elsewhere)
    for attempt in (store.entries, store.check, lambda: add(store, SECOND)):
        with pytest.raises(StoreError, match="symbolic link"):
            attempt()
    after = tree_of(elsewhere)
    after.pop("lock", None)
    before.pop("lock", None)
    assert after == before


@pytest.mark.parametrize("part", ["file", "record", "journal.jsonl", "store.json", "README.txt"])
def test_an_item_that_is_a_link_is_told_and_never_followed(tmp_path: Path, part: str) -> None:
    store = BackupStore(tmp_path / "store")
    entry = add(store, FIRST)
    path = {
        "file": store.folder / "files" / FIRST.file_sha256,
        "record": next((store.folder / "records").iterdir()),
    }.get(part, store.folder / part)
    elsewhere = tmp_path / "elsewhere"
    path.rename(elsewhere)
    path.symlink_to(elsewhere)
    failed = [item for item in store.check() if item.result == "fail"]
    assert failed
    assert any("symbolic link" in item.text for item in failed)
    if part in ("file", "record", "store.json"):
        with pytest.raises(StoreError):
            store.require_receipt(entry.id)


def test_a_lock_that_is_a_link_is_refused(tmp_path: Path) -> None:
    store = BackupStore(tmp_path / "store")
    add(store, FIRST)
    (tmp_path / "source").write_bytes(b"the only dump")
    (store.folder / "lock").unlink()
    (store.folder / "lock").symlink_to(tmp_path / "source")
    with pytest.raises(StoreError) as caught:
        add(store, SECOND)
    assert caught.value.code == "cannot-lock"
    assert (tmp_path / "source").read_bytes() == b"the only dump"


def test_a_lock_that_is_a_hard_link_to_the_source_leaves_its_bytes(tmp_path: Path) -> None:
    (tmp_path / "store").mkdir()
    (tmp_path / "source").write_bytes(FIRST.data)
    os.link(tmp_path / "source", tmp_path / "store" / "lock")
    add(BackupStore(tmp_path / "store"), FIRST)
    assert (tmp_path / "source").read_bytes() == FIRST.data


def test_a_read_that_lies_in_the_store_is_kept_like_any_other(store: BackupStore) -> None:
    """A source inside the store, and one that is a second link to a stored copy: no harm."""
    add(store, FIRST)
    copy = store.folder / "files" / FIRST.file_sha256
    again = add(store, make_read(copy.read_bytes(), copy.name))
    assert again == store.entries()[0]
    assert all(item.result == "pass" for item in store.check())


HOSTILE = [
    *("../../etc/passwd", "/etc/passwd", "..", "a\0b", "a\nb", "\x1b[31mred", "\u202egpj.exe"),
    *("lone \udcff surrogate", "CON", "dot.", "space ", "-rf", "x" * 4000, "", "\u0000", "読.bin"),
]


@pytest.mark.parametrize("name", HOSTILE)
def test_a_hostile_name_is_kept_as_text_and_never_used_as_a_path(tmp_path: Path, name: str) -> None:
    """F26."""
    store = BackupStore(tmp_path / "store", also=tmp_path / "also")
    entry = add(store, replace(FIRST, name=name))
    assert store.entry(entry.id).reads[0].name == name
    assert {path.name for path in tmp_path.iterdir()} == {"store", "also"}
    names = {path.name for path in store.folder.rglob("*")}
    record = next((store.folder / "records").iterdir()).name
    assert names == {
        *("README.txt", "store.json", "lock", "journal.jsonl", "files", "records", "jobs"),
        *(FIRST.file_sha256, record),
    }
    assert next((store.folder / "records").iterdir()).read_bytes().isascii()
    assert all(item.result == "pass" for item in store.check())


def test_names_in_the_store_do_not_differ_in_case_alone(store: BackupStore) -> None:
    """F24."""
    for number in range(5):
        add(store, make_read(invented_bytes(number), "DUMP.bin" if number % 2 else "dump.BIN"))
    names = [path.name.lower() for path in store.folder.rglob("*")]
    assert len(set(names)) == len(names)


def test_a_second_store_gets_the_same_record(tmp_path: Path) -> None:
    store = BackupStore(tmp_path / "store", also=tmp_path / "also")
    entry = add(store, FIRST, SECOND)
    assert BackupStore(tmp_path / "also").entries() == (entry,)
    assert look_at_store(tmp_path / "store") == look_at_store(tmp_path / "also")
    assert all(item.result == "pass" for item in store.check())


def test_a_second_store_that_is_not_plugged_in_is_told_and_the_first_has_it(
    tmp_path: Path,
) -> None:
    store = BackupStore(tmp_path / "store", also=tmp_path / "stick" / "backups")
    with pytest.raises(StoreError) as caught:
        add(store, FIRST)
    assert caught.value.code == "no-store"
    assert len(BackupStore(tmp_path / "store").entries()) == 1
    assert not (tmp_path / "stick").exists()


def test_a_lost_copy_is_read_from_the_second_store(tmp_path: Path) -> None:
    store = BackupStore(tmp_path / "store", also=tmp_path / "also")
    entry = add(store, FIRST)
    overwrite(tmp_path / "store" / "files" / FIRST.file_sha256, b"rotten")
    assert store.read_file_of(entry, 0) == FIRST.data
    with pytest.raises(StoreError):
        BackupStore(tmp_path / "store").read_file_of(entry, 0)
    # What is about to be blanked needs a good copy in the store itself.
    with pytest.raises(StoreError):
        store.require_receipt(entry.id)


def test_what_only_one_store_has_is_told(tmp_path: Path) -> None:
    first, second = BackupStore(tmp_path / "store"), BackupStore(tmp_path / "also")
    a, b = add(first, FIRST), add(second, SECOND)
    both = BackupStore(tmp_path / "store", also=tmp_path / "also")
    failed = {item.id: item.text for item in both.check() if item.result == "fail"}
    assert set(failed) == {a.id, b.id}
    assert "second store has no copy" in failed[a.id]
    assert "first store has no copy" in failed[b.id]
    both.repair(time=TIME)
    assert all(item.result == "pass" for item in both.check())
    assert len(first.entries()) == len(second.entries()) == 2


def test_a_damaged_record_is_not_listed_but_told(store: BackupStore) -> None:
    entry = add(store, FIRST)
    add(store, SECOND)
    record = sorted((store.folder / "records").iterdir())[0]
    overwrite(record, record.read_bytes().replace(b"24C04", b"24C08"))
    assert len(store.entries()) == 1
    assert [error.code for error in store.damaged_records()] == ["record-changed"]
    with pytest.raises(StoreError) as caught:
        store.entry(entry.id)
    assert caught.value.code == "record-changed"
    failed = [item for item in store.check() if item.result == "fail"]
    assert any(record.name in item.id for item in failed)


def forge_record(store: BackupStore, change: dict[str, object]) -> str:
    """A record with a right digest in its name, as someone else could make it."""
    record = next((store.folder / "records").iterdir())
    members = json.loads(record.read_text()) | change
    data = (json.dumps(members, indent=2) + "\n").encode()
    digest = hashlib.sha256(data).hexdigest()
    record.unlink()
    (store.folder / "records" / f"000001-{digest}.json").write_bytes(data)
    return digest[:12]


@pytest.mark.parametrize(
    ("change", "code", "words"),
    [
        ({"format": "benchimage.backup/2"}, "unknown-record", "not written as version 2"),
        ({"format": "benchimage.backup/3"}, "newer-version", "version is 3"),
        ({"format": "other"}, "unknown-record", "no known format"),
        ({"format": 1}, "unknown-record", "no known format"),
        ({"colour": "red"}, "unknown-record", "does not know: 'colour'"),
        ({"number": 9}, "unknown-record", "not written as version 1"),
        ({"number": "1"}, "unknown-record", "not written as version 1"),
        ({"role": "spare"}, "unknown-record", "not written as version 1"),
        ({"chip": 5}, "unknown-record", "not written as version 1"),
        ({"reads": []}, "unknown-record", "not written as version 1"),
        ({"reads": [{}]}, "unknown-record", "not written as version 1"),
        ({"reads": None}, "unknown-record", "not written as version 1"),
        ({"single_read_reason": ["x"]}, "unknown-record", "not written as version 1"),
    ],
)
def test_a_record_of_another_version_is_refused_with_its_version(
    store: BackupStore, change: dict[str, object], code: str, words: str
) -> None:
    """F22."""
    add(store, FIRST)
    forged = forge_record(store, change)
    with pytest.raises(StoreError, match=words) as caught:
        store.require_receipt(forged)
    assert caught.value.code == code
    assert any(item.result == "fail" and words in item.text for item in store.check())


@pytest.mark.parametrize(
    ("key", "value"),
    [
        ("file_sha256", "../../x"),
        ("sha256", "A" * 64),
        ("format", "elf"),
        ("base", -1),
        ("size", True),
        ("name", None),
        ("overlap_last", 1),
        ("accept_missing_end", "no"),
        ("file_size", 1.0),
    ],
)
def test_a_record_with_a_wrong_read_is_refused(store: BackupStore, key: str, value: object) -> None:
    add(store, FIRST)
    record = json.loads(next((store.folder / "records").iterdir()).read_text())
    forged = forge_record(store, {"reads": [record["reads"][0] | {key: value}]})
    with pytest.raises(StoreError) as caught:
        store.require_receipt(forged)
    assert caught.value.code == "unknown-record"


@pytest.mark.parametrize("data", [b"[]\n", b"nonsense", b"\xff\xfe", b"[" * 100_000])
def test_a_record_that_is_no_json_object_is_refused(store: BackupStore, data: bytes) -> None:
    add(store, FIRST)
    name = f"000002-{hashlib.sha256(data).hexdigest()}.json"
    (store.folder / "records" / name).write_bytes(data)
    assert [error.code for error in store.damaged_records()] == ["unknown-record"]
    assert len(store.entries()) == 1


@pytest.mark.parametrize(
    ("data", "code"),
    [
        (b'{"format": "benchimage.store/3"}\n', "newer-version"),
        (b'{"format": "benchimage.store/3", "more": 1}\n', "newer-version"),
        (b'{"format": "benchimage.store/1"}', "store-damaged"),
        (b"", "store-damaged"),
    ],
)
def test_a_marker_of_another_version_is_refused(store: BackupStore, data: bytes, code: str) -> None:
    add(store, FIRST)
    overwrite(store.folder / "store.json", data)
    for attempt in (store.entries, lambda: add(store, SECOND)):
        with pytest.raises(StoreError) as caught:
            attempt()
        assert caught.value.code == code
    if code == "newer-version":
        with pytest.raises(StoreError) as caught:
            store.check()
        assert caught.value.code == code
    else:
        assert [item.id for item in store.check() if item.result == "fail"] == ["store.json"]
        store.repair(time=TIME)
        assert all(item.result == "pass" for item in store.check())


def test_a_store_without_marker_is_not_begun_anew(store: BackupStore) -> None:
    add(store, FIRST)
    (store.folder / "store.json").unlink()
    with pytest.raises(RefusalError) as caught:
        add(store, SECOND)
    assert "--repair" in str(caught.value)
    with pytest.raises(StoreError) as error:
        store.entries()
    assert error.value.code == "no-marker"
    store.repair(time=TIME)
    assert len(store.entries()) == 1


def test_locked_may_be_entered_again(store: BackupStore) -> None:
    add(store, FIRST)
    with store.locked(), store.locked():
        add(store, SECOND)
        assert store.require_receipt(store.entries()[0].id)
    add(store, FIRST, SECOND)


def test_the_default_folder_is_the_users_own() -> None:
    assert default_store_folder().is_absolute()
    assert default_store_folder().parts[-2:] == ("benchimage", "backups")


def test_a_folder_of_the_store_that_is_gone_is_told(store: BackupStore) -> None:
    add(store, FIRST)
    shutil.rmtree(store.folder / "records")
    with pytest.raises(StoreError) as caught:
        store.entries()
    assert caught.value.code == "store-damaged"
