"""F09: every state that a power loss can leave is all or nothing, and the next run succeeds."""

from __future__ import annotations

from contextlib import suppress

import pytest

from memtool.core.finding import Verdict
from memtool.store.backups import BackupStore, NewRead
from memtool.store.journal import append_entry, check_journal
from memtool.store.writing import write_new
from tests.faults.crash_states import build, recording, states
from tests.faults.faulty_os import CHANGING, FaultyOs, KilledError, Mode, faults
from tests.faults.invariants import journal_lines, look_at_store
from tests.faults.scene import FIRST, SECOND, TIME, add, scratch


def assert_every_state_is_good(before: int, after: int, step: str) -> int:
    """Play `after` backups over `before` ones, look at every state; how many there were."""
    reads = [FIRST, SECOND]
    count = 0
    with scratch() as folder:
        store = BackupStore(folder / "store")
        for read in reads[:before]:
            add(store, read)
        with recording(folder) as record:
            for read in reads[before:after]:
                add(store, read)
                acknowledged = len(record.ops)
        first = sum(1 for op in record.ops if op.place == "")
        for upto in range(first, len(record.ops) + 1):
            for tree in states(record, upto):
                count += 1
                told = after if upto >= acknowledged else before
                assert_state(tree, reads[:told], reads[:after], f"{step}, after {upto} calls")
    return count


def assert_state(
    tree: dict[str, bytes | None], told: list[NewRead], wanted: list[NewRead], where: str
) -> None:
    with scratch() as folder:
        build(tree, folder)
        found = look_at_store(folder / "store")
        kept = {digest for digests in found.backups.values() for digest in digests}
        # Exit 0 was given for these: they are there (I3).
        assert {read.file_sha256 for read in told} <= kept, where
        store = BackupStore(folder / "store")
        listed = {read.file_sha256 for entry in store.entries() for read in entry.reads}
        assert listed == kept, where
        for read in wanted:
            add(store, read)
        bad = [item for item in store.check() if item.result is not Verdict.PASS]
        assert bad == [], where
        assert len(store.entries()) == len(wanted), where


def test_a_power_loss_during_the_first_backup() -> None:
    assert assert_every_state_is_good(0, 1, "first") > 30


def test_a_power_loss_during_a_later_backup() -> None:
    assert assert_every_state_is_good(1, 2, "second") > 10


def test_a_power_loss_after_a_killed_run_and_the_next_one() -> None:
    """What the killed run left without making it durable counts once the next run ends with 0."""
    count = 0
    for position in range(1, 200):
        with scratch() as folder:
            with recording(folder) as record:
                killed = FaultyOs(position, KilledError(), Mode.DEAD, CHANGING)
                with faults(killed), suppress(KilledError):
                    add(BackupStore(folder / "store"), FIRST)
                add(BackupStore(folder / "store"), FIRST)
            for tree in states(record, len(record.ops)):
                count += 1
                assert_state(tree, [FIRST], [FIRST], f"killed at changing call {position}")
        if not killed.happened:
            break
    assert count > 20


def test_a_power_loss_after_a_killed_journal_and_the_next_entry() -> None:
    for position in range(1, 50):
        with scratch() as folder:
            path = folder / "journal.jsonl"
            with recording(folder) as record:
                killed = FaultyOs(position, KilledError(), Mode.DEAD, CHANGING)
                with faults(killed), suppress(KilledError):
                    append_entry(path, kind="note", facts={"text": "one"}, time=TIME)
                append_entry(path, kind="note", facts={"text": "two"}, time=TIME)
            for tree in states(record, len(record.ops)):
                assert b'"two"' in (tree.get("journal.jsonl") or b"")
        if not killed.happened:
            assert position > 3
            return


def test_a_power_loss_while_a_file_is_written() -> None:
    data = bytes(range(256)) * 9000
    with scratch() as folder:
        with recording(folder) as record:
            write_new(folder / "out.bin", data)
        count = 0
        for upto in range(len(record.ops) + 1):
            for tree in states(record, upto):
                count += 1
                found = tree.get("out.bin")
                assert found in (None, data)
                assert upto < len(record.ops) or found == data
    assert count > 5


@pytest.mark.parametrize("torn", [b"", b'{"sha256": "00', b"\0" * 700])
def test_a_power_loss_while_the_journal_grows(torn: bytes) -> None:
    with scratch() as folder:
        path = folder / "journal.jsonl"
        append_entry(path, kind="note", facts={"text": "one"}, time=TIME)
        with path.open("ab") as file:
            file.write(torn)
        with recording(folder) as record:
            append_entry(path, kind="note", facts={"text": "two"}, time=TIME)
        first = sum(1 for op in record.ops if op.place == "")
        count = 0
        for upto in range(first, len(record.ops) + 1):
            for tree in states(record, upto):
                count += 1
                assert_journal(tree["journal.jsonl"] or b"", done=upto == len(record.ops))
    assert count > 3


def assert_journal(data: bytes, *, done: bool) -> None:
    with scratch() as folder:
        path = folder / "journal.jsonl"
        path.write_bytes(data)
        entries, rest = journal_lines(path)
        assert entries[0]["facts"] == {"text": "one"}
        if done:
            assert entries[-1]["facts"] == {"text": "two"}
            assert not rest
        state = check_journal(path)
        assert len(state.entries) == len(entries)
        assert (state.torn is None) == (not rest)
        append_entry(path, kind="note", facts={"text": "three"}, time=TIME)
        entries, rest = journal_lines(path)
        assert entries[-1]["facts"] == {"text": "three"}
        assert not rest
