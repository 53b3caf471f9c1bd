"""`blank` through real processes: what it writes, what it refuses, what it leaves behind."""

from __future__ import annotations

import json
import os
import shutil
import sys
from pathlib import Path

import pytest

from tests.build import DONOR_VIN, LAYOUT, VEHICLE_VIN, blanked_memory, module_memory
from tests.command_line import parse_document
from tests.workflow.jobs import DONOR, KEEP, ORDER, ORIGINAL, Bench, Done, set_time

LONG_PLAN = """\
[layout]
name = "module with a counter log"
chip = "24C16"
size = 2048
module = "body"
reviewed = true

[[region]]
name = "VIN"
span = "0x0000+17"
kind = "vehicle-identity"
type = "vin"

[[region]]
name = "learned"
span = "0x0100-0x04FF"
kind = "state"
blank_to = "FF"
"""


def assert_refused(bench: Bench, before: set[str], done: Done, rule: str) -> None:
    error = parse_document(done, "error")
    assert (done.returncode, error["exit"], error["code"]) == (3, 3, rule)
    assert error["next"]
    assert bench.files() == before


def test_blank_writes_the_planned_image_and_proves_it(started: Bench) -> None:
    document = parse_document(started.blank("--out", "out.bin", "--json"), "blank")
    written = (started.folder / "out.bin").read_bytes()
    assert written == blanked_memory(DONOR)
    (memory,) = document["memories"]
    assert (memory["name"], memory["out"]) == ("24c02", "out.bin")
    assert memory["leftovers"] == []
    assert all(check["result"] == "pass" for check in document["checks"])
    changed = bytearray(DONOR)
    for edit in memory["edits"]:
        assert changed[edit["start"] : edit["end"]].hex() == edit["old"]
        changed[edit["start"] : edit["end"]] = bytes.fromhex(edit["new"])
    assert bytes(changed) == written
    assert memory["kept"] == [{"start": 0x40, "end": 0x44, "reason": "counter"}]


def test_blank_without_out_puts_a_numbered_file_into_the_job(started: Bench) -> None:
    assert started.blank().returncode == 0
    assert started.blank().returncode == 0
    for number in (1, 2):
        path = started.job / "files" / f"to-write-24C02-{number}.bin"
        assert path.read_bytes() == blanked_memory(DONOR)


@pytest.mark.parametrize(("format", "first"), [("intel-hex", b":"), ("s-record", b"S")])
def test_blank_writes_other_formats(started: Bench, format: str, first: bytes) -> None:
    done = started.blank("--to", format, "--out", "out.txt", "--json")
    digest = parse_document(done, "blank")["memories"][0]["sha256"]
    assert (started.folder / "out.txt").read_bytes()[:1] == first
    inspected = parse_document(started.run("inspect", "out.txt", "--json"), "inspect")
    assert inspected["reads"][0]["sha256"] == digest


def test_blank_takes_a_file_that_is_backed_up_as_the_donor(started: Bench) -> None:
    done = started.in_job(
        *("blank", "d2.bin", *KEEP, "--confirm", "042788", "--out", "out.bin", "--json")
    )
    assert parse_document(done, "blank")["memories"][0]["out"] == "out.bin"


def test_blank_leaves_inputs_and_backups_alone(started: Bench) -> None:
    before = {path: (started.folder / path).read_bytes() for path in started.files()}
    assert started.blank("--out", "out.bin").returncode == 0
    for path, data in before.items():
        if path.endswith("journal.jsonl"):
            assert (started.folder / path).read_bytes().startswith(data)
        elif not path.startswith("store/jobs/"):  # The register says how far the job is.
            assert (started.folder / path).read_bytes() == data


def test_blank_dry_run_writes_nothing_and_shows_the_plan(started: Bench) -> None:
    before = {path: (started.folder / path).read_bytes() for path in started.files()}
    document = parse_document(
        started.in_job("blank", "donor", *KEEP, "--dry-run", "--json"), "blank"
    )
    assert document["dry_run"] is True
    assert document["memories"][0]["out"] is None
    assert document["memories"][0]["edits"]
    assert {path: (started.folder / path).read_bytes() for path in started.files()} == before


def test_a_long_plan_is_listed_in_part_and_whole_with_all(tmp_path: Path) -> None:
    bench = Bench(tmp_path)
    # Every second byte of the region is erased already: 512 runs of one byte, and the VIN.
    region = b"\x5a\xff" * 512
    for name, vin in (("o", VEHICLE_VIN), ("d", DONOR_VIN)):
        memory = vin.encode() + bytes(239) + region + bytes(768)
        for number in "12":
            set_time(bench.write(f"{name}{number}.bin", memory), minutes_ago=9 - int(number))
    bench.write("module.toml", LONG_PLAN.encode())
    reads = ("--original", "o1.bin", "--original", "o2.bin", "--donor", "d1.bin", "--donor")
    given = ("--chip", "24C16", "--layout", "module.toml", *reads, "d2.bin", "--reseated")
    assert bench.in_job("start", *given, *ORDER).returncode == 0
    dry_run = ("blank", "donor", "--dry-run")
    short, whole = bench.in_job(*dry_run), bench.in_job(*dry_run, "--all")
    assert "529 bytes in 513 runs" in short.stdout
    listed = [line for line in short.stdout.splitlines() if line.endswith(" learned")]
    assert listed[0] == "  0x0100+1 (1 byte)  learned"
    assert len(listed) == 99
    assert "  ... and 413 more runs\n  (--all shows all of them and the bytes)" in short.stdout
    assert whole.stdout.count("learned: 5A -> FF\n") == 512
    document = parse_document(bench.in_job(*dry_run, "--json"), "blank")
    assert len(document["memories"][0]["edits"]) == 513
    written = bench.in_job("blank", "donor", "--confirm", DONOR_VIN[-6:])
    assert "  ... and 413 more runs\n  (--all shows all of them and the bytes)" in written.stdout


def test_blank_refuses_without_job(bench: Bench) -> None:
    before = bench.files()
    done = bench.run(
        *("blank", "d1.bin", "--layout", "module.toml", "--confirm", "042788", "--json")
    )
    assert_refused(bench, before, done, "open-job")


def test_blank_refuses_without_authority(bench: Bench) -> None:
    place = ORDER.index("--authority")
    assert bench.start(order=ORDER[:place]).returncode == 0
    before = bench.files()
    assert_refused(bench, before, bench.blank("--json"), "authority")


@pytest.mark.parametrize("kind", ["airbag", "immobiliser"])
def test_blank_refuses_airbag_and_immobiliser_modules(bench: Bench, kind: str) -> None:
    order = tuple(kind if word == "body" else word for word in ORDER)
    assert bench.start(order=order).returncode == 0
    before = bench.files()
    assert_refused(bench, before, bench.blank("--json"), "module-kind")


def test_blank_refuses_a_file_without_backup(started: Bench) -> None:
    started.write("other.bin", module_memory(starts=1))
    before = started.files()
    done = started.in_job(*("blank", "other.bin", *KEEP, "--confirm", "042788", "--json"))
    assert_refused(started, before, done, "donor-backup")


def test_blank_refuses_the_original(started: Bench) -> None:
    before = started.files()
    done = started.in_job("blank", "original", *KEEP, "--confirm", VEHICLE_VIN[-6:], "--json")
    assert_refused(started, before, done, "donor-backup")


def test_blank_refuses_reads_that_differ(bench: Bench) -> None:
    spoilt = bytearray(DONOR)
    spoilt[0x33] ^= 4
    bench.write("d2.bin", bytes(spoilt))
    assert bench.start().returncode == 1
    before = bench.files()
    assert_refused(bench, before, bench.blank("--json"), "reads-agree")


def test_blank_refuses_single_read_without_reason_and_allows_one_with(bench: Bench) -> None:
    single = ("start", "--chip", "24C02", "--layout", "module.toml", "--donor", "d1.bin")
    assert bench.in_job(*single, *ORDER).returncode in (0, 1)
    before = bench.files()
    assert_refused(bench, before, bench.blank("--json"), "reads-agree")
    bench.in_job(*single, "--single-read", "pad lifted")
    assert bench.blank("--out", "out.bin").returncode == 0


def test_blank_refuses_a_layout_nobody_reviewed(started: Bench) -> None:
    started.write("draft.toml", LAYOUT.replace("reviewed = true", "reviewed = false").encode())
    before = started.files()
    done = started.blank("--layout", "draft.toml", "--json")
    assert_refused(started, before, done, "reviewed-layout")


def test_blank_refuses_a_layout_of_an_airbag_module(started: Bench) -> None:
    started.write("airbag.toml", LAYOUT.replace('"body"', '"airbag"').encode())
    before = started.files()
    assert_refused(
        started, before, started.blank("--layout", "airbag.toml", "--json"), "module-kind"
    )


def test_blank_refuses_a_protected_span(started: Bench) -> None:
    before = started.files()
    done = started.blank("--span", "0x8F-0x90", "--json")
    assert_refused(started, before, done, "protected-untouched")


def test_a_dot_is_no_reason_to_keep_bytes(started: Bench) -> None:
    done = started.blank("--keep", "0xE8+8", "--reason", ".", "--out", "out.bin")
    assert done.returncode == 2
    assert "--reason is empty" in done.stderr


def test_blank_refuses_a_leftover_and_allows_it_kept_with_a_reason(bench: Bench) -> None:
    memory = bytearray(DONOR)
    memory[0xE8:0xF0] = DONOR_VIN[-8:].encode()
    for name in ("d1.bin", "d2.bin"):
        bench.write(name, bytes(memory))
    assert bench.start().returncode == 0
    before = bench.files()
    assert_refused(bench, before, bench.blank("--json"), "no-leftover")
    done = bench.blank("--keep", "0xE8+8", "--reason", "test print", "--out", "out.bin")
    assert done.returncode == 0, done.stderr
    assert (bench.folder / "out.bin").read_bytes()[0xE8:0xF0] == DONOR_VIN[-8:].encode()
    assert "test print" in (bench.job / "journal.jsonl").read_text()


def test_what_a_kept_span_still_holds_is_named_in_each_verdict_and_in_the_report(
    bench: Bench,
) -> None:
    trace = DONOR_VIN[-8:].encode()
    memory = bytearray(DONOR)
    memory[0xE8:0xF0] = trace
    for name in ("d1.bin", "d2.bin"):
        bench.write(name, bytes(memory))
    assert bench.start().returncode == 0
    done = bench.blank("--keep", "0xE8+8", "--reason", "test print", "--out", "out.bin")
    assert done.returncode == 0, done.stderr
    finished = bytearray(module_memory(VEHICLE_VIN, options=bytes(16), starts=4720))
    finished[0xE8:0xF0] = trace
    bench.write("written.bin", (bench.folder / "out.bin").read_bytes())
    bench.write("finished.bin", bytes(finished))
    for file, stage in (("to-write", "before-writing"), ("finished.bin", "after-setup")):
        if stage == "after-setup":
            assert bench.in_job("check", "written.bin").returncode == 0
        said = parse_document(bench.in_job("check", file, "--stage", stage, "--json"), "check")
        assert said["verdict"] == "incomplete"
        named = [row for row in said["checks"] if {"start": 0xE8, "end": 0xF0} in row["spans"]]
        assert [(row["code"], row["result"]) for row in named] == [("leftovers", "decide")]
    report = parse_document(bench.in_job("report", "--no-pdf", "--json"), "report")
    assert "test print" in json.dumps(report)
    assert "Kept spans still hold" in json.dumps(report)


def test_blank_takes_a_leftover_out_with_span(bench: Bench) -> None:
    memory = bytearray(DONOR)
    memory[0xE8:0xF0] = DONOR_VIN[-8:].encode()
    for name in ("d1.bin", "d2.bin"):
        bench.write(name, bytes(memory))
    assert bench.start().returncode == 0
    assert bench.blank("--span", "0xE8-0xEF", "--out", "out.bin").returncode == 0
    assert (bench.folder / "out.bin").read_bytes()[0xE8:0xF0] == b"\xff" * 8


def test_blank_refuses_an_output_that_exists(started: Bench) -> None:
    started.write("out.bin", b"mine")
    before = started.files()
    assert_refused(started, before, started.blank("--out", "out.bin", "--json"), "output-new")
    assert (started.folder / "out.bin").read_bytes() == b"mine"


def test_blank_refuses_the_source_as_output(started: Bench) -> None:
    before = started.files()
    os.link(started.folder / "d1.bin", started.folder / "link.bin")
    for name in ("d1.bin", "./d1.bin", "link.bin"):
        done = started.in_job(
            *("blank", "d1.bin", *KEEP, "--confirm", "042788", "--out", name, "--json")
        )
        assert_refused(started, before | {"link.bin"}, done, "output-new")
    assert (started.folder / "d1.bin").read_bytes() == DONOR


def test_blank_refuses_a_wrong_confirmation(started: Bench) -> None:
    before = started.files()
    done = started.in_job("blank", "donor", *KEEP, "--confirm", "042789", "--json")
    assert_refused(started, before, done, "confirmed")


def test_blank_without_terminal_and_confirmation_is_wrong_usage(started: Bench) -> None:
    before = started.files()
    done = started.in_job("blank", "donor", *KEEP, "--json")
    assert done.returncode == 2
    assert parse_document(done, "error")["code"] == "missing-answer"
    assert started.files() == before


def test_blank_refuses_the_jobs_own_vehicle(bench: Bench) -> None:
    for name in ("d1.bin", "d2.bin"):
        bench.write(name, ORIGINAL)
    bench.start()
    before = bench.files()
    done = bench.in_job("blank", "donor", *KEEP, "--confirm", VEHICLE_VIN[-6:], "--json")
    assert_refused(bench, before, done, "other-vehicle")


def test_blank_refuses_when_the_backup_was_changed(started: Bench) -> None:
    for path in (started.folder / "store").rglob("*"):
        if path.is_file() and path.read_bytes() == DONOR:
            path.chmod(0o644)
            path.write_bytes(DONOR[:-1] + b"\x00")
    before = started.files()
    done = started.blank("--out", "out.bin", "--json")
    assert done.returncode == 5
    assert started.files() == before


def test_blank_refuses_when_the_store_is_gone(started: Bench) -> None:
    shutil.rmtree(started.folder / "store")
    done = started.in_job("blank", "d1.bin", *KEEP, "--confirm", "042788", "--out", "out.bin")
    assert done.returncode == 5
    assert not (started.folder / "out.bin").exists()


def test_blank_refuses_a_journal_that_was_changed(started: Bench) -> None:
    path = started.job / "journal.jsonl"
    path.write_text(path.read_text().replace("order signed", "order forged"))
    done = started.blank("--json")
    assert done.returncode == 4
    assert parse_document(done, "error")["line"] == 1


def test_blank_by_vin_alone_says_that_checksums_are_not_checked(bench: Bench) -> None:
    # A checksum over the VIN that holds would be named, and the blanking refused.
    donor = bytearray(DONOR)
    donor[0x22] ^= 1
    for name in ("d1.bin", "d2.bin"):
        bench.write(name, bytes(donor))
    bench.start()
    started = bench
    done = started.in_job(
        *("blank", "donor", "--vin", DONOR_VIN, "--confirm", "042788"),
        *("--out", "out.bin", "--json"),
    )
    document = parse_document(done, "blank")
    states = {check["code"]: check["result"] for check in document["checks"]}
    assert states["checksums"] == "not-checked"
    expected = donor
    expected[0x10:0x21] = b"\xff" * 17
    expected[0x50:0x61] = b"\xff" * 17
    assert (started.folder / "out.bin").read_bytes() == bytes(expected)
    text = started.in_job(
        *("blank", "donor", "--vin", DONOR_VIN, "--confirm", "042788", "--out", "b.bin")
    )
    assert "CHECKSUMS ARE NOT CHECKED" in text.stdout


def test_blank_offers_no_option_that_forces(started: Bench) -> None:
    text = started.run("blank", "--help").stdout.lower()
    assert "--dry-run" in text
    assert "force" not in text
    assert "ignore" not in text


@pytest.mark.skipif(sys.platform == "win32", reason="a pseudo-terminal is POSIX only")
@pytest.mark.parametrize(("typed", "status"), [("042788", 0), ("042789", 3)])
def test_blank_at_a_terminal_asks_without_showing(started: Bench, typed: str, status: int) -> None:
    import pexpect

    environment = os.environ | {
        "PYTHONPATH": str(Path(__file__).parent.parent.parent),
        "BENCHIMAGE_STORE": str(started.folder / "store"),
    }
    child = pexpect.spawn(
        sys.executable,
        ["-m", "memtool", "blank", "donor", *KEEP, "--out", "../out.bin"],
        cwd=str(started.job),
        env=environment,
        encoding="utf-8",
        timeout=30,
        dimensions=(50, 80),
    )
    child.expect("last six characters")
    child.sendline(typed)
    child.expect(pexpect.EOF)
    child.close()
    assert typed not in child.before
    assert child.exitstatus == status
    assert (started.folder / "out.bin").exists() is (status == 0)


def test_journal_holds_every_edit(started: Bench) -> None:
    assert started.blank("--out", "out.bin").returncode == 0
    last = json.loads((started.job / "journal.jsonl").read_text().splitlines()[-1])
    assert last["kind"] == "image-blanked"
    changed = bytearray(DONOR)
    for edit in last["facts"]["edits"]:
        changed[edit["span"]["start"] : edit["span"]["end"]] = bytes.fromhex(edit["new"])
    assert bytes(changed) == blanked_memory(DONOR)
