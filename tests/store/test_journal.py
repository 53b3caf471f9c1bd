"""The journal: what its chain shows, what a crash leaves, what is refused (F21, F22)."""

from __future__ import annotations

import hashlib
import json
import os
import subprocess
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from memtool.errors import JournalError, StoreError, UsageError
from memtool.store.journal import (
    TORN_LINE,
    JournalFile,
    JournalState,
    append_entry,
    check_journal,
    read_journal,
)
from tests.faults.invariants import journal_lines
from tests.faults.scene import scratch

TIME = "2026-03-01T10:00:00+01:00"


def write_journal(path: Path, entries: int = 4) -> bytes:
    for number in range(1, entries + 1):
        append_entry(
            path,
            kind="note",
            facts={"text": f"entry {number}"},
            # A line with files is read in another way than one without.
            files=[JournalFile(path="a.bin", sha256="0" * 64)] if number % 2 else [],
            time=TIME,
        )
    return path.read_bytes()


def forge_line(members: dict[str, Any]) -> bytes:
    """A line as someone writes it who knows the rule of its digest."""
    rest = json.dumps(members)[1:].encode() + b"\n"
    return b'{"sha256": "%s", ' % hashlib.sha256(rest).hexdigest().encode() + rest


def members_of(line: bytes) -> dict[str, Any]:
    members: dict[str, Any] = json.loads(line)
    del members["sha256"]
    return members


def test_entries_come_back_as_they_were_added(tmp_path: Path) -> None:
    path = tmp_path / "journal.jsonl"
    facts: dict[str, Any] = {"a": [1, 2.5, None, True, {"ü\x1b\udcff": "\u202e"}], "b": ""}
    first = append_entry(path, kind="one", facts=facts, time=TIME)
    second = append_entry(
        path, kind="two", facts={}, files=[JournalFile(path="x", sha256="1" * 64)], time=TIME
    )
    assert read_journal(path) == (first, second)
    assert first.facts == facts
    assert (first.number, second.number) == (1, 2)
    assert second.previous == first.sha256
    assert second.files == (JournalFile(path="x", sha256="1" * 64),)
    assert path.read_bytes().isascii()
    assert json.loads(path.read_bytes().split(b"\n")[0])["format"] == "benchimage.journal/1"


def test_the_digest_of_a_line_is_what_common_tools_print(tmp_path: Path) -> None:
    path = tmp_path / "journal.jsonl"
    write_journal(path)
    printed = subprocess.run(
        f"sed -n 3p '{path}' | cut -c 80- | sha256sum",
        shell=True,
        capture_output=True,
        text=True,
        check=True,
    ).stdout
    assert printed.split()[0] == read_journal(path)[2].sha256
    assert read_journal(path)[3].previous == printed.split()[0]


def test_independent_code_finds_the_chain_sound(tmp_path: Path) -> None:
    path = tmp_path / "journal.jsonl"
    write_journal(path)
    entries, rest = journal_lines(path)
    assert (len(entries), rest) == (4, b"")


@pytest.mark.parametrize("time", ["2026-03-01T10:00:00", "yesterday", ""])
def test_a_time_without_zone_is_the_callers_mistake(tmp_path: Path, time: str) -> None:
    with pytest.raises(ValueError, match=r".*"):
        append_entry(tmp_path / "j", kind="note", facts={}, time=time)
    assert not (tmp_path / "j").exists()


def test_what_is_not_json_is_the_callers_mistake(tmp_path: Path) -> None:
    with pytest.raises(ValueError, match="JSON"):
        append_entry(tmp_path / "j", kind="note", facts={"x": float("nan")}, time=TIME)


def test_no_journal_and_no_folder_are_wrong_usage(tmp_path: Path) -> None:
    for path in (tmp_path / "missing", tmp_path / "no" / "folder"):
        with pytest.raises(UsageError):
            read_journal(path)
    with pytest.raises(UsageError):
        append_entry(tmp_path / "no" / "folder", kind="note", facts={}, time=TIME)


Edit = Callable[[list[bytes]], list[bytes]]


@pytest.mark.parametrize(
    ("edit", "line", "code"),
    [
        (lambda lines: [lines[0], lines[2], lines[3]], 2, "chain-broken"),
        (lambda lines: [lines[1], lines[0], *lines[2:]], 1, "unknown-format"),
        (lambda lines: [lines[0], lines[2], lines[1], lines[3]], 2, "chain-broken"),
        (lambda lines: [*lines[:2], lines[1], *lines[2:]], 3, "chain-broken"),
        (lambda lines: lines[1:], 1, "unknown-format"),
        (lambda lines: [line.replace(b"\n", b"\r\n") for line in lines], 1, "entry-changed"),
        (lambda lines: [*lines[:2], lines[2].replace(b"3", b"9"), lines[3]], 3, None),
        (lambda lines: [*lines[:3], lines[3].replace(b"note", b"nota")], 4, "entry-changed"),
        (lambda lines: [*lines[:2], b"\n", *lines[2:]], 3, "not-a-journal-entry"),
        (lambda lines: [*lines, b"rubbish\n"], 5, "not-a-journal-entry"),
        (lambda lines: [b"\xef\xbb\xbf" + lines[0], *lines[1:]], 1, "not-a-journal-entry"),
    ],
    ids=[
        *("removed", "first swapped", "swapped", "doubled", "first removed", "crlf"),
        *("edited", "last edited", "blank line", "rubbish added", "byte order mark"),
    ],
)
def test_the_first_bad_line_is_named(
    tmp_path: Path, edit: Edit, line: int, code: str | None
) -> None:
    path = tmp_path / "journal.jsonl"
    lines = write_journal(path).splitlines(keepends=True)
    path.write_bytes(b"".join(edit(lines)))
    for attempt in (read_journal, lambda at: append_entry(at, kind="n", facts={}, time=TIME)):
        with pytest.raises(JournalError) as caught:
            attempt(path)
        assert caught.value.line == line
        assert caught.value.file == str(path)
        assert code in (None, caught.value.code)


@pytest.mark.parametrize(
    ("forge", "code"),
    [
        (lambda m: m | {"previous": "1" * 64}, "chain-broken"),
        (lambda m: m | {"number": 7}, "chain-broken"),
        (lambda m: m | {"number": True}, "wrong-type"),
        (lambda m: m | {"number": "2"}, "wrong-type"),
        (lambda m: m | {"facts": []}, "wrong-type"),
        (lambda m: m | {"kind": None}, "wrong-type"),
        (lambda m: m | {"files": {}}, "wrong-type"),
        (lambda m: m | {"files": ["x"]}, "wrong-type"),
        (lambda m: m | {"files": [{"path": "x"}]}, "wrong-type"),
        (lambda m: m | {"files": [{"path": 1, "sha256": "x"}]}, "wrong-type"),
        (lambda m: m | {"extra": 1}, "unknown-member"),
        (lambda m: {key: m[key] for key in reversed(m)}, "unknown-member"),
        (lambda m: {key: value for key, value in m.items() if key != "kind"}, "unknown-member"),
        (lambda m: {"format": "benchimage.journal/1"} | m, "unknown-format"),
    ],
)
def test_a_forged_line_with_a_right_digest_is_refused(
    tmp_path: Path, forge: Callable[[dict[str, Any]], dict[str, Any]], code: str
) -> None:
    path = tmp_path / "journal.jsonl"
    lines = write_journal(path, 3).splitlines(keepends=True)
    path.write_bytes(lines[0] + forge_line(forge(members_of(lines[1]))))
    with pytest.raises(JournalError) as caught:
        read_journal(path)
    assert caught.value.code == code
    assert caught.value.line == 2


def test_a_line_that_is_forged_well_is_found_at_the_next_one(tmp_path: Path) -> None:
    path = tmp_path / "journal.jsonl"
    lines = write_journal(path, 3).splitlines(keepends=True)
    lines[1] = forge_line(members_of(lines[1]) | {"facts": {"text": "other"}})
    path.write_bytes(b"".join(lines))
    with pytest.raises(JournalError) as caught:
        read_journal(path)
    assert (caught.value.code, caught.value.line) == ("chain-broken", 3)


@pytest.mark.parametrize(
    ("rest", "code"),
    [
        (b'"number": 1', "not-json"),
        (b"[" * 100_000, "not-json"),
        (b'"a": ' + b"9" * 5000 + b"}\n", "not-json"),
        (b'"number":1}\n', "not-canonical"),
        (b'"a": 1, "a": 1}\n', "not-canonical"),
        (b'"a": NaN}\n', "not-json"),
        (b'"a": "\xff"}\n', "not-json"),
        (b'"format": 5}\n', "unknown-format"),
    ],
    ids=["open", "deep", "long number", "blanks", "doubled", "nan", "latin", "format"],
)
def test_what_is_no_json_of_ours_is_refused(tmp_path: Path, rest: bytes, code: str) -> None:
    if not rest.endswith(b"\n"):
        rest += b"\n"
    path = tmp_path / "journal.jsonl"
    path.write_bytes(b'{"sha256": "%s", ' % hashlib.sha256(rest).hexdigest().encode() + rest)
    with pytest.raises(JournalError) as caught:
        read_journal(path)
    assert caught.value.code == code


@pytest.mark.parametrize("files", ["[]", '[{"path": "x", "sha256": "y"}]'])
@pytest.mark.parametrize(
    ("facts", "code"),
    [
        ('{"a": 1, "a": 1}', "not-canonical"),
        ('{"a":1}', "not-canonical"),
        ('{"a": 1} ', "not-canonical"),
        ('{"a": 1e16}', "not-canonical"),
        ('{"a": "\\u0041"}', "not-canonical"),
        ('{"a": "\x7f"}', "not-canonical"),
        ('{"a": "ü"}', "not-canonical"),
        ('{"a": NaN}', "not-json"),
        ('{"a": 1}}', "not-json"),
        ('{"a": 1}, "kind": {}', "not-canonical"),
    ],
)
def test_facts_have_one_writing_and_the_first_fault_is_named(
    tmp_path: Path, facts: str, code: str, files: str
) -> None:
    path = tmp_path / "journal.jsonl"
    lines = write_journal(path, 3).splitlines(keepends=True)
    previous = members_of(lines[1])["previous"]
    rest = (
        f'"number": 2, "time": "{TIME}", "kind": "note", "facts": {facts}, "files": {files},'
        f' "previous": "{previous}"}}\n'
    ).encode()
    lines[1] = b'{"sha256": "%s", ' % hashlib.sha256(rest).hexdigest().encode() + rest
    # The third line does not follow the second any more: that fault is a later one.
    path.write_bytes(b"".join(lines))
    with pytest.raises(JournalError) as caught:
        read_journal(path)
    assert (caught.value.code, caught.value.line) == (code, 2)


@pytest.mark.parametrize("version", ["3", "17"])
def test_a_newer_version_is_named(tmp_path: Path, version: str) -> None:
    path = tmp_path / "journal.jsonl"
    path.write_bytes(forge_line({"format": f"benchimage.journal/{version}", "new": 1}))
    with pytest.raises(JournalError) as caught:
        read_journal(path)
    assert caught.value.code == "newer-version"
    assert f"its version is {version}" in str(caught.value)
    assert "update benchimage" in str(caught.value)


def test_a_torn_last_line_is_reported_and_kept_by_the_next_entry(tmp_path: Path) -> None:
    path = tmp_path / "journal.jsonl"
    whole = write_journal(path)
    torn = whole.splitlines(keepends=True)[3][:-30]
    path.write_bytes(b"".join(whole.splitlines(keepends=True)[:3]) + torn)
    state = check_journal(path)
    assert state.torn is not None
    assert (state.torn.line, state.torn.size) == (4, len(torn))
    assert state.torn.sha256 == hashlib.sha256(torn).hexdigest()
    assert len(read_journal(path)) == 3
    assert path.read_bytes().endswith(torn), "reading repairs nothing"
    append_entry(path, kind="note", facts={"text": "after"}, time=TIME)
    entries = read_journal(path)
    assert [entry.kind for entry in entries[3:]] == [TORN_LINE, "note"]
    assert entries[3].facts["text"] == torn.decode()
    assert entries[3].facts["line"] == 4
    assert check_journal(path).torn is None


def test_every_cut_in_the_last_line_is_a_torn_line_and_no_cut_is_silent(tmp_path: Path) -> None:
    path = tmp_path / "journal.jsonl"
    whole = write_journal(path, 2)
    first = whole.index(b"\n") + 1
    for end in range(first + 1, len(whole)):
        path.write_bytes(whole[:end])
        assert check_journal(path).torn is not None
        assert len(read_journal(path)) == 1


def test_blocks_that_were_never_written_are_a_torn_line(tmp_path: Path) -> None:
    """After a power loss a file can have its length and not its bytes."""
    path = tmp_path / "journal.jsonl"
    whole = write_journal(path, 2)
    path.write_bytes(whole[:-200] + bytes(199) + b"\n")
    state = check_journal(path)
    assert state.torn is not None
    append_entry(path, kind="note", facts={}, time=TIME)
    assert [entry.kind for entry in read_journal(path)] == ["note", TORN_LINE, "note"]


@pytest.mark.parametrize("data", [b"hello", b"\x7fELF", b"{}", b'{"sha256": "x'[::-1]])
def test_a_file_that_was_never_a_journal_is_not_mended(tmp_path: Path, data: bytes) -> None:
    path = tmp_path / "journal.jsonl"
    path.write_bytes(data)
    for attempt in (read_journal, lambda at: append_entry(at, kind="n", facts={}, time=TIME)):
        with pytest.raises(JournalError):
            attempt(path)
    assert path.read_bytes() == data


def test_a_torn_first_line_is_a_beginning(tmp_path: Path) -> None:
    path = tmp_path / "journal.jsonl"
    path.write_bytes(b'{"sha256": "00')
    append_entry(path, kind="note", facts={}, time=TIME)
    assert [entry.kind for entry in read_journal(path)] == [TORN_LINE, "note"]


def test_an_emptied_journal_is_told_and_an_empty_one_can_begin(tmp_path: Path) -> None:
    path = tmp_path / "journal.jsonl"
    path.touch()
    with pytest.raises(JournalError) as caught:
        read_journal(path)
    assert caught.value.code == "empty-journal"
    append_entry(path, kind="note", facts={}, time=TIME)
    assert len(read_journal(path)) == 1


def test_a_link_in_place_of_a_journal_is_refused(tmp_path: Path) -> None:
    write_journal(tmp_path / "real")
    (tmp_path / "journal.jsonl").symlink_to("real")
    before = (tmp_path / "real").read_bytes()
    with pytest.raises(Exception, match="symbolic link"):
        read_journal(tmp_path / "journal.jsonl")
    with pytest.raises(Exception, match="symbolic link"):
        append_entry(tmp_path / "journal.jsonl", kind="note", facts={}, time=TIME)
    assert (tmp_path / "real").read_bytes() == before


def test_a_link_in_place_of_the_lock_is_refused(tmp_path: Path) -> None:
    (tmp_path / "source.bin").write_bytes(b"the only dump")
    (tmp_path / "journal.jsonl.lock").symlink_to("source.bin")
    with pytest.raises(StoreError) as caught:
        append_entry(tmp_path / "journal.jsonl", kind="note", facts={}, time=TIME)
    assert caught.value.code == "cannot-lock"
    assert (tmp_path / "source.bin").read_bytes() == b"the only dump"


def test_a_hard_link_in_place_of_the_lock_leaves_its_bytes(tmp_path: Path) -> None:
    (tmp_path / "source.bin").write_bytes(b"the only dump")
    os.link(tmp_path / "source.bin", tmp_path / "journal.jsonl.lock")
    append_entry(tmp_path / "journal.jsonl", kind="note", facts={}, time=TIME)
    assert (tmp_path / "source.bin").read_bytes() == b"the only dump"


def judge(path: Path) -> JournalState | JournalError:
    try:
        return check_journal(path)
    except JournalError as error:
        return error


@pytest.fixture(scope="module")
def sample(tmp_path_factory: pytest.TempPathFactory) -> bytes:
    return write_journal(tmp_path_factory.mktemp("sample") / "journal.jsonl", 3)


def test_every_changed_bit_is_found(sample: bytes) -> None:
    """Each byte in turn, two bits of it: broken, or the unfinished line that it now looks like."""
    lines = sample.splitlines(keepends=True)
    with scratch() as folder:
        path = folder / "journal.jsonl"
        for position in range(len(sample)):
            for bit in (0x01, 0x80):
                data = bytearray(sample)
                data[position] ^= bit
                path.write_bytes(data)
                line = sample.count(b"\n", 0, position) + 1
                verdict = judge(path)
                if isinstance(verdict, JournalError):
                    assert verdict.line == line
                else:
                    assert verdict.torn is not None
                    assert verdict.torn.line == len(lines)


@settings(max_examples=200, deadline=None)
@given(
    cuts=st.lists(
        st.tuples(st.integers(0, 2000), st.integers(0, 2000), st.binary(max_size=30)),
        min_size=1,
        max_size=3,
    )
)
def test_no_edit_is_taken_for_the_original(sample: bytes, cuts: list[Any]) -> None:
    data = sample
    for start, end, new in cuts:
        data = data[: min(start, end)] + new + data[max(start, end) :]
    with scratch() as folder:
        path = folder / "journal.jsonl"
        path.write_bytes(data)
        verdict = judge(path)
        if isinstance(verdict, JournalError):
            assert verdict.file == str(path)
            return
        # Only whole lines that were cut from the end cannot be seen.
        assert verdict.torn is not None or data == sample or sample.startswith(data)


@settings(max_examples=150, deadline=None)
@given(data=st.binary(max_size=400))
def test_any_bytes_are_refused_in_a_sentence(data: bytes) -> None:
    with scratch() as folder:
        path = folder / "journal.jsonl"
        path.write_bytes(data)
        verdict = judge(path)
        if isinstance(verdict, JournalError):
            assert str(verdict).endswith(".")
            return
        assert verdict.torn is not None
        assert not verdict.entries
