"""`check` finds each changed byte, all that is missing, foreign or doubled; repairs (F20)."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest

from memtool.errors import StoreError
from memtool.store.backups import BackupStore
from memtool.store.checking import StoreItem
from tests.faults.invariants import journal_lines
from tests.faults.scene import FIRST, SECOND, TIME, add, invented_bytes, make_read, scratch

SMALL = make_read(invented_bytes(9, 40), "small.bin")


@pytest.fixture
def tmp_path() -> Iterator[Path]:
    """In memory: what is told here does not depend on a disk, and a disk is slow."""
    with scratch() as folder:
        yield folder


@pytest.fixture
def store(tmp_path: Path) -> BackupStore:
    store = BackupStore(tmp_path / "store", also=tmp_path / "also")
    add(store, FIRST)
    add(store, SECOND)
    return store


def only_first(store: BackupStore) -> BackupStore:
    return BackupStore(store.folder)


def failed(items: tuple[StoreItem, ...]) -> dict[str, str]:
    return {item.id: item.text for item in items if item.result == "fail"}


def notes(store: BackupStore) -> dict[str, str]:
    """Items that are no backup and no failure."""
    ids = {entry.id for entry in store.entries()}
    return {
        item.id: item.text
        for item in only_first(store).check()
        if item.result == "pass" and item.id not in ids
    }


def record_of(store: BackupStore, number: int) -> Path:
    return sorted((store.folder / "records").iterdir())[number - 1]


def overwrite(path: Path, data: bytes) -> None:
    path.chmod(0o600)
    path.write_bytes(data)


def test_every_single_byte_of_a_store_is_watched() -> None:
    """Each byte of each file in turn, the README and the marker too."""
    with scratch() as folder:
        store = BackupStore(folder / "store")
        add(store, SMALL)
        assert failed(store.check()) == {}
        count = 0
        for path in sorted(store.folder.rglob("*")):
            if not path.is_file():
                continue
            whole = path.read_bytes()
            path.chmod(0o600)
            for position in range(len(whole)):
                changed = bytearray(whole)
                changed[position] ^= 0x01
                path.write_bytes(changed)
                assert is_noticed(store), f"{path.name}, byte {position}"
                count += 1
            path.write_bytes(whole)
        assert failed(store.check()) == {}
        assert count > 2000


def is_noticed(store: BackupStore) -> bool:
    try:
        return bool(failed(store.check()))
    except StoreError as error:
        return error.code == "newer-version"


def test_every_missing_item_is_told(store: BackupStore) -> None:
    for path in sorted(store.folder.rglob("*")):
        if not path.is_file() or path.name == "lock":
            continue
        whole = path.read_bytes()
        path.unlink()
        found = failed(only_first(store).check())
        assert found, path.name
        assert any("missing" in text or "no line" in text for text in found.values()), path.name
        path.write_bytes(whole)
    assert failed(only_first(store).check()) == {}


@pytest.mark.parametrize(
    "name",
    ["holiday.jpg", "files/holiday.jpg", "records/notes.txt", "files/" + "A" * 64, "lock2"],
)
def test_a_foreign_item_is_told(store: BackupStore, name: str) -> None:
    (store.folder / name).write_bytes(b"x")
    assert "does not belong" in failed(only_first(store).check())[name]


@pytest.mark.parametrize("name", ["files", "lock", "records", "set-aside"])
def test_something_else_in_place_of_a_part_is_told(store: BackupStore, name: str) -> None:
    path = store.folder / name
    if name in ("lock", "set-aside"):
        path.unlink(missing_ok=True)
        path.mkdir() if name == "lock" else path.touch()
    else:
        shutil.rmtree(path)
        path.touch()
    with pytest.raises(StoreError) if name != "set-aside" else nothing():
        assert failed(only_first(store).check()) == {"set-aside": "Something else is in its place."}


class nothing:  # noqa: N801 - reads as a word where it is used
    def __enter__(self) -> None: ...
    def __exit__(self, *_: object) -> None: ...


def test_leftovers_of_a_killed_run_are_told_and_do_no_harm(store: BackupStore) -> None:
    unfinished = ".unfinished-" + "0" * 32
    digest = "ab" * 32
    (store.folder / "files" / unfinished).write_bytes(b"half")
    (store.folder / "files" / digest).write_bytes(b"half")
    (store.folder / "files" / SMALL.file_sha256).write_bytes(SMALL.data)
    (store.folder / "records" / f"000009-{digest}.json").write_bytes(b"{")
    (store.folder / ".DS_Store").write_bytes(b"x")
    assert failed(only_first(store).check()) == {}
    assert set(notes(store)) == {
        f"files/{unfinished}",
        f"files/{digest}",
        f"files/{SMALL.file_sha256}",
        f"records/000009-{digest}.json",
        ".DS_Store",
    }
    assert failed(only_first(store).check(full=False)) == {}


def test_a_doubled_record_is_told(store: BackupStore) -> None:
    record = record_of(store, 1)
    (store.folder / "records" / record.name.replace("000001", "000003")).write_bytes(
        record.read_bytes()
    )
    assert any("000003" in item for item in failed(only_first(store).check()))


def test_the_same_reads_under_two_records_are_told(tmp_path: Path) -> None:
    """Two benches that both kept them before they shared a store."""
    first, second = BackupStore(tmp_path / "a"), BackupStore(tmp_path / "b")
    add(first, FIRST)
    add(second, SECOND)
    add(second, FIRST)
    extra = sorted((tmp_path / "b" / "records").iterdir())[1]
    shutil.copy(extra, tmp_path / "a" / "records")
    texts = failed(first.check()).values()
    assert any("duplicate" in text for text in texts)


def test_a_record_taken_away_with_its_copy_is_told_by_the_journal(store: BackupStore) -> None:
    record = record_of(store, 2)
    record.unlink()
    (store.folder / "files" / SECOND.file_sha256).unlink()
    assert "Its record is missing" in failed(only_first(store).check())[record.name[7:19]]


def test_a_journal_cut_at_a_line_end_is_told_by_the_records(store: BackupStore) -> None:
    journal = store.folder / "journal.jsonl"
    lines = journal.read_bytes().splitlines(keepends=True)
    journal.write_bytes(lines[0])
    texts = failed(only_first(store).check())
    assert list(texts) == [record_of(store, 2).name[7:19]]
    assert "no line for it" in next(iter(texts.values()))


def test_a_torn_journal_is_told_until_the_next_backup(store: BackupStore) -> None:
    journal = store.folder / "journal.jsonl"
    with journal.open("ab") as file:
        file.write(b'{"sha256": "01')
    assert "has no end" in failed(only_first(store).check())["journal.jsonl"]
    add(only_first(store), SMALL)
    assert failed(only_first(store).check()) == {}


def test_a_damaged_journal_names_its_line_and_backups_are_kept_all_the_same(
    store: BackupStore,
) -> None:
    journal = store.folder / "journal.jsonl"
    journal.write_bytes(journal.read_bytes().replace(b"donor", b"owner", 1))
    assert failed(only_first(store).check())["journal.jsonl"].startswith("Line 1: ")
    with pytest.raises(StoreError) as caught:
        add(only_first(store), SMALL)
    assert caught.value.code == "store-damaged"
    assert "is kept" in str(caught.value)
    assert len(store.entries()) == 3
    done = only_first(store).repair(time=TIME)
    assert any("begun anew" in text for text in done)
    assert failed(only_first(store).check()) == {}
    aside = next((store.folder / "set-aside").iterdir())
    assert b"owner" in aside.read_bytes()


def test_the_quick_level_sees_structure_and_not_bytes(store: BackupStore) -> None:
    path = store.folder / "files" / FIRST.file_sha256
    overwrite(path, bytes(len(FIRST.data)))
    assert failed(only_first(store).check(full=False)) == {}
    assert failed(only_first(store).check()) != {}
    overwrite(path, b"short")
    assert "cut short" in next(iter(failed(only_first(store).check(full=False)).values()))
    path.unlink()
    path.mkdir()
    assert "not a regular file" in next(iter(failed(only_first(store).check(full=False)).values()))


def test_the_second_store_is_checked_too(store: BackupStore, tmp_path: Path) -> None:
    overwrite(tmp_path / "also" / "files" / FIRST.file_sha256, b"rotten")
    texts = failed(store.check())
    assert all(text.startswith("Second store: ") for text in texts.values())
    assert len(texts) == 1


DAMAGES = [
    "README.txt",
    "store.json",
    "journal.jsonl",
    "one copy",
    "one record",
    "all copies",
    "all records",
    "copies folder",
    "records folder",
    "links",
]


@pytest.mark.parametrize("side", ["store", "also"])
@pytest.mark.parametrize("gone", [True, False], ids=["gone", "damaged"])
@pytest.mark.parametrize("what", DAMAGES)
def test_repair_brings_back_what_the_other_store_has_and_deletes_nothing(
    store: BackupStore, tmp_path: Path, what: str, gone: bool, side: str
) -> None:
    folder = tmp_path / side
    paths = {
        "one copy": [folder / "files" / FIRST.file_sha256],
        "one record": sorted((folder / "records").iterdir())[:1],
        "all copies": sorted((folder / "files").iterdir()),
        "all records": sorted((folder / "records").iterdir()),
        "copies folder": sorted((folder / "files").iterdir()),
        "records folder": sorted((folder / "records").iterdir()),
        "links": sorted((folder / "files").iterdir()),
    }.get(what, [folder / what])
    for path in paths:
        if what == "links":
            path.unlink()
            path.symlink_to(tmp_path / "elsewhere")
        elif gone:
            path.unlink()
        else:
            overwrite(path, b"rotten " + path.name.encode()[:5])
    if what.endswith("folder"):
        shutil.rmtree(paths[0].parent)
    before = everything_in(tmp_path)
    done = store.repair(time=TIME)
    assert done
    assert failed(store.check()) == {}
    assert before <= everything_in(tmp_path) | {b""}
    assert len(BackupStore(tmp_path / "store").entries()) == 2
    assert len(BackupStore(tmp_path / "also").entries()) == 2
    assert store.repair(time=TIME) == ()
    assert journal_lines(folder / "journal.jsonl")[1] == b""


def everything_in(folder: Path) -> set[bytes]:
    """The content of every file, journals apart: they grow."""
    return {
        path.read_bytes()
        for path in folder.rglob("*")
        if path.is_file() and not path.is_symlink() and path.name != "journal.jsonl"
    }


def test_repair_without_a_second_store_makes_no_copy_up(store: BackupStore) -> None:
    alone = only_first(store)
    copy = store.folder / "files" / FIRST.file_sha256
    overwrite(copy, b"rotten")
    assert alone.repair(time=TIME) == ()
    assert copy.read_bytes() == b"rotten"
    assert failed(alone.check())


def test_repair_takes_no_damaged_copy_from_the_second_store(
    store: BackupStore, tmp_path: Path
) -> None:
    for folder in ("store", "also"):
        overwrite(tmp_path / folder / "files" / FIRST.file_sha256, b"rotten")
    store.repair(time=TIME)
    assert (tmp_path / "store" / "files" / FIRST.file_sha256).read_bytes() == b"rotten"
    assert len(failed(store.check())) >= 1


def test_repair_joins_a_record_of_one_store_with_the_copy_of_the_other(
    store: BackupStore, tmp_path: Path
) -> None:
    record_of(store, 1).unlink()
    overwrite(tmp_path / "also" / "files" / FIRST.file_sha256, b"rotten")
    store.repair(time=TIME)
    assert failed(store.check()) == {}
    assert len(BackupStore(tmp_path / "store").entries()) == 2


def test_repair_restores_no_record_whose_copy_is_lost(store: BackupStore, tmp_path: Path) -> None:
    record_of(store, 1).unlink()
    for folder in ("store", "also"):
        (tmp_path / folder / "files" / FIRST.file_sha256).unlink()
    store.repair(time=TIME)
    assert len(BackupStore(tmp_path / "store").entries()) == 1
    assert failed(store.check())


def test_repair_begins_a_second_store_that_is_new(store: BackupStore, tmp_path: Path) -> None:
    both = BackupStore(store.folder, also=tmp_path / "stick")
    both.repair(time=TIME)
    assert failed(both.check()) == {}
    assert len(BackupStore(tmp_path / "stick").entries()) == 2
