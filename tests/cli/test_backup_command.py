"""`benchimage backup` and `doctor` as processes: output, JSON by schema, exit status."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from tests.command_line import parse_document, run_benchimage
from tests.faults.scene import scratch

DATA = b"".join(hashlib.sha256(bytes([number])).digest() for number in range(64))
OTHER = DATA[:-1] + b"x"
SHA256 = hashlib.sha256(DATA).hexdigest()
HEX_FILE = b":10000000000102030405060708090A0B0C0D0E0F78\r\n:00000001FF\r\n"
"""Sixteen counting bytes; sum by hand: 0x10 + 0x78 + (0 + ... + 15) = 0x100."""
HEX_IMAGE = bytes(range(16))


@pytest.fixture
def bench() -> Iterator[Path]:
    with scratch() as folder:
        for name, data in (("a.bin", DATA), ("b.bin", DATA), ("c.bin", OTHER), ("h.hex", HEX_FILE)):
            (folder / name).write_bytes(data)
        yield folder


def backup(bench: Path, *arguments: str) -> Any:
    return run_benchimage("backup", *arguments, "--store", "store", cwd=bench)


def add(bench: Path, *arguments: str) -> dict[str, Any]:
    done = backup(bench, "add", *arguments, "--json")
    document = parse_document(done, "backup-add")
    assert done.stderr == ""
    entry: dict[str, Any] = document["backups"][0]
    return entry | {"status": done.returncode, "findings": document["findings"]}


DONOR = ("--role", "donor", "--chip", "24LC16")


def test_add_tells_what_it_kept(bench: Path) -> None:
    entry = add(bench, "a.bin", "b.bin", *DONOR)
    assert entry["status"] == 0
    assert (entry["sha256"], entry["role"], entry["chip"]) == (SHA256, "donor", "24C16")
    assert (entry["reads"], entry["agree"]) == (2, True)
    assert add(bench, "a.bin", "b.bin", *DONOR)["id"] == entry["id"]
    shown = backup(bench, "add", "a.bin", "b.bin", *DONOR)
    assert entry["id"] in shown.stdout
    assert SHA256 in shown.stdout.replace("\n", "").replace(" ", "")
    assert "Next: " in shown.stderr


def test_a_single_read_is_kept_with_a_warning(bench: Path) -> None:
    entry = add(bench, "a.bin", *DONOR)
    assert (entry["status"], entry["agree"]) == (0, None)
    assert [item["code"] for item in entry["findings"]] == ["single-read"]
    reasoned = add(bench, "a.bin", *DONOR, "--single-read", "chip died \x1b[31m")
    assert reasoned["findings"] == []
    assert reasoned["id"] != entry["id"]
    shown = backup(bench, "add", "a.bin", *DONOR, "--single-read", "chip died \x1b[31m")
    assert "\\x1b[31m" in shown.stdout
    assert "\x1b" not in shown.stdout


def test_reads_that_disagree_are_kept_and_speak_against(bench: Path) -> None:
    entry = add(bench, "a.bin", "c.bin", *DONOR)
    assert (entry["status"], entry["agree"]) == (1, False)
    assert "failure" in [item["severity"] for item in entry["findings"]]
    assert len(json.loads(backup(bench, "list", "--json").stdout)["backups"]) == 1


def test_one_file_given_twice_is_not_two_reads(bench: Path) -> None:
    (bench / "link.bin").hardlink_to(bench / "a.bin")
    assert "reads-same-file" in [
        item["code"] for item in add(bench, "a.bin", "link.bin", *DONOR)["findings"]
    ]


@pytest.mark.parametrize(
    ("arguments", "status", "words"),
    [
        (("a.bin", "--role", "donor"), 2, "--chip"),
        (("a.bin", "--role", "donor", "--chip", "24C61"), 2, "24C16"),
        (("a.bin", "--role", "spare", "--chip", "24C16"), 2, "reference"),
        (("missing.bin", *DONOR), 2, "no such file"),
        ((".", *DONOR), 4, "not a regular file"),
        (("h.hex", *DONOR, "--format", "s-record"), 4, "h.hex"),
        (DONOR, 2, "READ"),
    ],
)
def test_add_refuses_in_a_sentence(
    bench: Path, arguments: tuple[str, ...], status: int, words: str
) -> None:
    done = backup(bench, "add", *arguments)
    assert done.returncode == status
    assert words in done.stderr
    assert not (bench / "store").exists()


def test_a_controllers_memory_is_kept_under_its_size(bench: Path) -> None:
    entry = add(bench, "a.bin", "b.bin", "--role", "original", "--chip", "65536")
    assert entry["chip"] == "64K"


def test_list_shows_all_backups_and_damaged_ones(bench: Path) -> None:
    empty = backup(bench, "list")
    assert (empty.returncode, empty.stdout) == (0, "")
    assert "No backups" in empty.stderr
    first = add(bench, "a.bin", "b.bin", *DONOR)
    add(bench, "h.hex", "--role", "original", "--chip", "24C01")
    done = backup(bench, "list", "--json")
    document = parse_document(done, "backup-list")
    assert [entry["role"] for entry in document["backups"]] == ["donor", "original"]
    assert document["backups"][1]["files"][0]["format"] == "intel-hex"
    assert first["id"] in backup(bench, "list").stdout
    record = sorted((bench / "store" / "records").iterdir())[0]
    record.chmod(0o600)
    record.write_bytes(b"{}")
    done = backup(bench, "list", "--json")
    assert done.returncode == 5
    assert len(parse_document(done, "backup-list")["damaged"]) == 1
    assert backup(bench, "list").returncode == 5


def test_check_ends_with_5_when_anything_is_wrong(bench: Path) -> None:
    entry = add(bench, "a.bin", "b.bin", *DONOR)
    done = backup(bench, "check", "--json")
    document = parse_document(done, "backup-check")
    assert (done.returncode, document["ok"], document["level"]) == (0, True, "every-byte")
    assert document["items"] == [
        {"id": entry["id"], "result": "pass", "text": "Every byte is unchanged."}
    ]
    copy = bench / "store" / "files" / SHA256
    copy.chmod(0o600)
    copy.write_bytes(OTHER)
    quick = backup(bench, "check", "--quick", "--json")
    assert (quick.returncode, json.loads(quick.stdout)["level"]) == (0, "structure")
    done = backup(bench, "check", "--json")
    document = parse_document(done, "backup-check")
    assert (done.returncode, document["ok"]) == (5, False)
    shown = backup(bench, "check")
    assert shown.returncode == 5
    assert "fail" in shown.stdout
    assert "--repair" in shown.stderr


def test_check_repairs_from_a_second_store(bench: Path) -> None:
    done = backup(bench, "add", "a.bin", "b.bin", *DONOR, "--also", "also")
    assert done.returncode == 0
    (bench / "store" / "files" / SHA256).unlink()
    assert backup(bench, "check", "--also", "also").returncode == 5
    shown = backup(bench, "check", "--also", "also", "--repair")
    assert shown.returncode == 0, shown.stdout
    assert "repaired" in shown.stdout
    done = backup(bench, "check", "--also", "also", "--repair", "--json")
    document = parse_document(done, "backup-check")
    assert (document["ok"], document["also"], document["repaired"]) == (True, "also", [])


def test_check_without_a_store_is_not_good(bench: Path) -> None:
    done = backup(bench, "check")
    assert done.returncode == 5
    assert not (bench / "store").exists()
    assert backup(bench, "check", "--repair").returncode == 5


def test_restore_gives_the_very_file_back(bench: Path) -> None:
    entry = add(bench, "a.bin", "c.bin", *DONOR)
    done = backup(bench, "restore", entry["id"], "--out", "r.bin", "--json")
    document = parse_document(done, "backup-restore")
    assert (bench / "r.bin").read_bytes() == DATA
    assert (document["very_file"], document["file_sha256"]) == (True, SHA256)
    backup(bench, "restore", entry["id"], "--read", "2", "--out", "r2.bin")
    assert (bench / "r2.bin").read_bytes() == OTHER
    again = backup(bench, "restore", entry["id"], "--out", "r.bin")
    assert again.returncode == 3
    assert "never overwritten" in again.stderr
    assert backup(bench, "restore", entry["id"], "--read", "3", "--out", "x").returncode == 2
    assert backup(bench, "restore", "ffff", "--out", "x").returncode == 2
    assert not (bench / "x").exists()


def test_restore_writes_the_image_in_another_format(bench: Path) -> None:
    entry = add(bench, "h.hex", "--role", "donor", "--chip", "24C01")
    backup(bench, "restore", entry["id"], "--out", "h2.hex")
    assert (bench / "h2.hex").read_bytes() == HEX_FILE
    done = backup(bench, "restore", entry["id"], "--to", "raw", "--out", "h.bin", "--json")
    document = parse_document(done, "backup-restore")
    assert (bench / "h.bin").read_bytes() == HEX_IMAGE
    assert (document["very_file"], document["format"]) == (False, "raw")
    assert document["sha256"] == hashlib.sha256(HEX_IMAGE).hexdigest()


def test_restore_tells_the_address_of_a_raw_file(bench: Path) -> None:
    entry = add(bench, "a.bin", *DONOR, "--base", "0x8000")
    done = backup(bench, "restore", entry["id"], "--out", "r.bin")
    assert "0x8000" in done.stderr


def test_restore_says_what_a_format_cannot_hold(bench: Path) -> None:
    gap = b":0100000001FE\r\n:0100100002ED\r\n:00000001FF\r\n"
    (bench / "gap.hex").write_bytes(gap)
    entry = add(bench, "gap.hex", "--role", "donor", "--chip", "24C01")
    done = backup(bench, "restore", entry["id"], "--to", "raw", "--out", "gap.bin")
    assert done.returncode == 2
    assert "cannot be written as raw" in done.stderr
    assert not (bench / "gap.bin").exists()


def test_restore_falls_back_to_the_second_store(bench: Path) -> None:
    entry = json.loads(
        backup(bench, "add", "a.bin", "b.bin", *DONOR, "--also", "also", "--json").stdout
    )["backups"][0]
    (bench / "store" / "files" / SHA256).unlink()
    assert backup(bench, "restore", entry["id"], "--out", "r.bin").returncode == 5
    done = backup(bench, "restore", entry["id"], "--out", "r.bin", "--also", "also")
    assert done.returncode == 0
    (bench / "store").rename(bench / "gone")
    done = run_benchimage(
        *("backup", "restore", entry["id"], "--out", "r2.bin", "--store", "store"),
        cwd=bench,
        BENCHIMAGE_ALSO="also",
    )
    assert done.returncode == 0, done.stderr
    assert (bench / "r2.bin").read_bytes() == DATA
    missing = backup(bench, "restore", "ffff", "--out", "r3.bin", "--also", "also")
    assert missing.returncode in (2, 5)


def test_records_read_with_the_last_of_an_overlap_come_back_so(bench: Path) -> None:
    """Two records of one byte at address 0: sums by hand, 0x01 + 0x01 + 0xFE = 0x100."""
    (bench / "twice.hex").write_bytes(b":0100000001FE\r\n:0100000002FD\r\n:00000001FF\r\n")
    entry = add(bench, "twice.hex", "--role", "donor", "--chip", "24C01", "--overlap", "last")
    done = backup(bench, "restore", entry["id"], "--to", "raw", "--out", "twice.bin")
    assert done.returncode == 0, done.stderr
    assert (bench / "twice.bin").read_bytes() == b"\x02"


def test_doctor_shows_the_place_and_tries_the_file_system(bench: Path) -> None:
    done = run_benchimage("doctor", "--store", "store", "--json", cwd=bench)
    document = parse_document(done, "doctor")
    assert done.returncode == 0
    assert (document["stores"][0]["exists"], document["stores"][0]["backups"]) == (False, 0)
    assert document["stores"][0]["file_system"]["locks"] is True
    assert {item["name"] for item in document["versions"]} >= {"benchimage", "python"}
    assert not (bench / "store").exists()
    add(bench, "a.bin", *DONOR)
    before = sorted(path.name for path in (bench / "store").rglob("*"))
    done = run_benchimage("doctor", "--store", "store", "--also", "store", "--json", cwd=bench)
    document = parse_document(done, "doctor")
    assert [store["backups"] for store in document["stores"]] == [1, 1]
    assert sorted(path.name for path in (bench / "store").rglob("*")) == before
    shown = run_benchimage("doctor", "--store", "store", cwd=bench)
    assert shown.stdout.splitlines()[0] in (
        "No problems found.",
        "Backups can be kept; look at the warnings first.",
    )
    assert "1 backup" in shown.stdout
    assert max(map(len, shown.stdout.splitlines())) <= 80


def test_doctor_tells_what_cannot_be_used(bench: Path) -> None:
    (bench / "file").write_bytes(b"x")
    for store in ("/proc", "file"):
        done = run_benchimage("doctor", "--store", store, "--json", cwd=bench)
        document = parse_document(done, "doctor")
        assert done.returncode == 1
        assert document["stores"][0]["problem"]
        assert "failure" in [item["severity"] for item in document["findings"]]
    shown = run_benchimage("doctor", "--store", "/proc", cwd=bench)
    assert shown.returncode == 1
    assert shown.stdout.startswith("Stop: ")
    assert "failure" in shown.stdout.splitlines()[1]
    assert "not tried" in shown.stdout


def test_add_keeps_a_read_that_looks_bad_and_says_so(bench: Path) -> None:
    (bench / "mirrored.bin").write_bytes(DATA[:256] * 8)
    entry = add(bench, "mirrored.bin", "--single-read", "test", *DONOR)
    told = {finding["code"]: finding["severity"] for finding in entry["findings"]}
    assert told == {"halves-equal": "warning"}
    (bench / "empty.bin").write_bytes(b"\xff" * 2048)
    assert add(bench, "empty.bin", "--single-read", "test", *DONOR)["status"] == 1
