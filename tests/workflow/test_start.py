"""`start`: what it keeps, what it asks for, what it says."""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import Any

import pytest

from tests.build import VEHICLE_VIN, module_memory
from tests.command_line import parse_document, run_benchimage
from tests.workflow.jobs import ORDER, ORIGINAL, Bench


def only_memory(document: dict[str, Any]) -> dict[str, Any]:
    """The one memory of a job on one chip."""
    [memory] = document["memories"]
    assert isinstance(memory, dict)
    return memory


def test_start_backs_up_every_read_and_shows_both_modules(bench: Bench) -> None:
    document = parse_document(bench.start("--json"), "start")
    memory = only_memory(document)
    assert [module["role"] for module in memory["modules"]] == ["original", "donor"]
    assert all(module["agree"] for module in memory["modules"])
    assert all(module["reseated"] == "yes" for module in memory["modules"])
    assert document["opened"] is True
    assert memory["layout"] == "test module"
    kept = [path for path in bench.files() if path.startswith("store/")]
    stored = [(bench.folder / path).read_bytes() for path in kept]
    for name in ("o1.bin", "d1.bin"):
        assert (bench.folder / name).read_bytes() in stored


def test_start_text_answers_the_four_questions(bench: Bench) -> None:
    done = bench.start()
    assert done.returncode == 0
    for title in ("checks passed", "Reads", "Where the VINs are", "What differs", "Cautions"):
        assert title in done.stdout
    assert "Next:" in done.stderr
    assert max(map(len, done.stdout.splitlines())) <= 80


def test_start_again_adds_reads_and_facts(started: Bench) -> None:
    for name in ("d3.bin", "d4.bin"):
        started.write(name, module_memory(starts=4712))
    done = started.in_job(
        *("start", "--donor", "d3.bin", "--donor", "d4.bin", "--chip", "24C02", "--json"),
        *("--complaint", "no windows"),
    )
    document = parse_document(done, "start")
    assert document["opened"] is False
    assert document["order"]["complaint"] == "no windows"
    assert document["order"]["vehicle_vin"] == VEHICLE_VIN
    donor = next(module for module in only_memory(document)["modules"] if module["role"] == "donor")
    assert donor["vins"][0]["region"] == "VIN"


def test_start_keeps_reads_that_differ_and_says_so(bench: Bench) -> None:
    other = bytearray((bench.folder / "d2.bin").read_bytes())
    other[0x33] ^= 0x10
    bench.write("d2.bin", bytes(other))
    done = bench.start("--json")
    document = parse_document(done, "start")
    assert done.returncode == 1
    assert only_memory(document)["modules"][1]["agree"] is False
    stored = [(bench.folder / path).read_bytes() for path in bench.files() if "store/" in path]
    assert bytes(other) in stored


def test_start_keeps_a_single_read_without_reason(bench: Bench) -> None:
    done = bench.in_job("start", "--chip", "24C02", "--donor", "d1.bin", "--json", *ORDER)
    document = parse_document(done, "start")
    assert only_memory(document)["modules"][0]["agree"] is None
    assert only_memory(document)["modules"][0]["single_read_reason"] is None


def test_start_records_why_the_original_cannot_be_read(bench: Bench) -> None:
    done = bench.in_job(
        *("start", "--chip", "24C02", "--donor", "d1.bin", "--donor", "d2.bin", "--json"),
        *("--original-unreadable", "chip burnt", "--layout", "module.toml", *ORDER),
    )
    document = parse_document(done, "start")
    assert only_memory(document)["original_unreadable"] == "chip burnt"


@pytest.mark.parametrize("missing", ["--vehicle-vin", "--module-kind"])
def test_start_without_a_terminal_names_what_a_new_job_needs(bench: Bench, missing: str) -> None:
    place = ORDER.index(missing)
    order = ORDER[:place] + ORDER[place + 2 :]
    before = bench.files()
    done = bench.start("--json", order=order)
    error = parse_document(done, "error")
    assert done.returncode == 2
    assert missing in error["message"]
    assert bench.files() == before


def test_start_without_chip_is_wrong_usage(bench: Bench) -> None:
    done = bench.in_job("start", "--donor", "d1.bin", *ORDER)
    assert done.returncode == 2
    assert "--chip" in done.stderr


def test_start_refuses_a_vin_that_is_not_well_formed(bench: Bench) -> None:
    done = bench.in_job("start", "--vehicle-vin", "1G4AH59H45G11834O", "--module-kind", "body")
    assert done.returncode == 2
    assert not bench.job.exists()


def test_start_keeps_nothing_when_a_read_is_not_what_it_claims(bench: Bench) -> None:
    bench.write("d2.bin", b":10000000zz\n")
    before = bench.files()
    done = bench.start("--json")
    error = parse_document(done, "error")
    assert done.returncode == 4
    assert error["file"] == "d2.bin"
    assert bench.files() == before


def test_start_says_when_the_original_is_not_this_vehicles(bench: Bench) -> None:
    other = module_memory("1J9RP1A36A1644345")
    bench.write("o1.bin", other)
    bench.write("o2.bin", other)
    done = bench.start("--json")
    document = parse_document(done, "start")
    failed = [
        check["code"] for check in only_memory(document)["family"] if check["result"] == "fail"
    ]
    assert failed == ["original-identity"]
    assert done.returncode == 1


def test_start_finds_the_layout_in_the_users_library(bench: Bench) -> None:
    (bench.folder / "layouts").mkdir()
    (bench.folder / "module.toml").rename(bench.folder / "layouts" / "module.toml")
    done = bench.in_job("start", "--chip", "24C02", "--donor", "d1.bin", "--json", *ORDER)
    assert only_memory(parse_document(done, "start"))["layout"] == "test module"


def test_journal_names_the_files_by_hash(started: Bench) -> None:
    import hashlib
    from importlib.metadata import version

    lines = (started.job / "journal.jsonl").read_text().splitlines()
    entries = [json.loads(line) for line in lines]
    assert [entry["kind"] for entry in entries] == [
        "job-opened",
        "reads-kept",
        "reads-kept",
        "layout-named",
        "files-intended",
        "layout-chosen",
    ]
    assert {entry["facts"]["tool"] for entry in entries} == {version("benchimage")}
    files = {file["path"]: file["sha256"] for entry in entries for file in entry["files"]}
    assert files["o1.bin"] == hashlib.sha256(ORIGINAL).hexdigest()


@pytest.mark.skipif(sys.platform == "win32", reason="a pseudo-terminal is POSIX only")
def at_terminal(bench: Bench, *arguments: str) -> Any:
    """`start` as a process of its own at a real terminal."""
    import os

    import pexpect

    environment = os.environ | {
        "PYTHONPATH": str(Path(__file__).parent.parent.parent),
        "BENCHIMAGE_STORE": str(bench.folder / "store"),
        "BENCHIMAGE_LAYOUTS": str(bench.folder / "layouts"),
    }
    return pexpect.spawn(
        sys.executable,
        ["-m", "memtool", "start", *arguments],
        cwd=str(bench.folder),
        env=environment,
        encoding="utf-8",
        timeout=30,
        dimensions=(24, 200),
    )


def answer(child: Any, *pairs: tuple[str, str]) -> int:
    """Give each answer to its question; the exit status."""
    import pexpect

    for question, text in pairs:
        child.expect(question)
        child.sendline(text)
    child.expect(pexpect.EOF)
    child.close()
    assert isinstance(child.exitstatus, int)
    return child.exitstatus


ORDER_QUESTIONS = (
    ("Work order", "7"),
    ("Customer", "M. Muster"),
    ("Registration plate", ""),
    ("VIN of the vehicle", "too short"),
    ("VIN of the vehicle", f" {VEHICLE_VIN[:9].lower()} {VEHICLE_VIN[9:].lower()}"),
)
REST = (
    ("Proof of ownership", "order 7, signed"),
    ("Complaint", ""),
    ("original module", ""),
    ("donor module", ""),
    ("Where the donor", "shelf"),
    ("Technician", "N. N."),
)


def test_start_at_a_terminal_asks_for_what_is_missing(bench: Bench) -> None:
    child = at_terminal(bench, "--donor", "d1.bin", "--chip", "24C02")
    status = answer(
        child,
        ("Folder of the job", "job"),
        *ORDER_QUESTIONS,
        ("Kind of module", "body"),
        *REST,
        ("only one read", "pad lifted"),
    )
    assert status == 0
    lines = [json.loads(line) for line in (bench.job / "journal.jsonl").read_text().splitlines()]
    order = lines[0]["facts"]["order"]
    assert order["authority"] == "order 7, signed"
    assert order["vehicle_vin"] == VEHICLE_VIN
    assert (order["customer"], order["plate"]) == ("M. Muster", None)
    assert "pad lifted" in (bench.job / "journal.jsonl").read_text()


def test_start_at_a_terminal_asks_for_the_reads_and_looks_at_each_at_once(bench: Bench) -> None:
    child = at_terminal(bench, "--job", "job")
    status = answer(
        child,
        ("Memory chip", "24C0Z"),
        ("Memory chip", "eeprom=24C02"),
        ("One more memory", ""),
        ("Read 1 of the original", "gone.bin"),
        ("no such file[^\n]*\r\n.*Read 1 of the original", "'o1.bin'"),
        ("Read 2 of the original", "d1.bin"),
        ("of two modules[^\n]*\r\n.*Read 2 of the original", "o1.bin"),
        ("[^\n]*\r\n.*Read 2 of the original", "o2.bin"),
        ("Read 3 of the original", ""),
        ("Read 1 of the donor", "o2.bin"),
        ("[^\n]*\r\n.*Read 1 of the donor", "d1.bin"),
        ("Read 2 of the donor", "d2.bin"),
        ("Read 3 of the donor", ""),
        *ORDER_QUESTIONS,
        ("Kind of module", "brake"),
        ("Kind of module", "brakes"),
        *REST,
        ("Maker's procedure", "BR-12"),
        ("Qualified person", "."),
        ("Qualified person", "N. N., brake specialist"),
        ("clip removed", "y"),
    )
    assert status == 0, child.before
    lines = [json.loads(line) for line in (bench.job / "journal.jsonl").read_text().splitlines()]
    backups = [line["facts"] for line in lines if line["kind"] == "reads-kept"]
    assert [(each["role"], each["memory"], each["names"]) for each in backups] == [
        ("original", "eeprom", ["o1.bin", "o2.bin"]),
        ("donor", "eeprom", ["d1.bin", "d2.bin"]),
    ]
    order = lines[0]["facts"]["order"]
    assert (order["procedure"], order["qualified_person"]) == ("BR-12", "N. N., brake specialist")


def test_start_at_a_terminal_names_a_mix_up_before_it_asks(bench: Bench) -> None:
    import pexpect

    child = at_terminal(
        bench, *("--job", "job", "--chip", "24C02", "--original", "o1.bin", "--original", "d1.bin")
    )
    child.expect("Stop: The reads of the original hold different VINs")
    child.expect("Work order number")
    # One that comes between the question and the wait for its answer takes effect with the next.
    for _ in range(10):
        child.sendcontrol("c")
        if child.expect([pexpect.EOF, pexpect.TIMEOUT], timeout=2) == 0:
            break
    child.close()
    assert not bench.job.exists()


def test_start_refuses_one_file_given_as_two_reads(bench: Bench) -> None:
    (bench.folder / "link.bin").hardlink_to(bench.folder / "d1.bin")
    before = bench.files()
    for second in ("d1.bin", "./d1.bin", "link.bin"):
        done = bench.in_job(
            *("start", "--chip", "24C02", "--donor", "d1.bin", "--donor", second, "--json", *ORDER)
        )
        assert done.returncode == 2
        assert parse_document(done, "error")["code"] == "reads-same-file"
    assert bench.files() == before


def test_start_keeps_a_second_copy_where_one_is_set(bench: Bench) -> None:
    done = run_benchimage(
        *("start", "--job", "job", "--chip", "24C02", "--donor", "d1.bin", *ORDER),
        cwd=bench.folder,
        BENCHIMAGE_STORE=str(bench.folder / "store"),
        BENCHIMAGE_ALSO=str(bench.folder / "second"),
        BENCHIMAGE_LAYOUTS=str(bench.folder / "layouts"),
    )
    assert done.returncode == 0, done.stderr
    copies = [path.read_bytes() for path in (bench.folder / "second").rglob("*") if path.is_file()]
    assert (bench.folder / "d1.bin").read_bytes() in copies


def test_start_names_the_chip_as_the_table_does(bench: Bench) -> None:
    done = bench.in_job("start", "--chip", "24lc02", "--donor", "d1.bin", "--json", *ORDER)
    assert only_memory(parse_document(done, "start"))["chip"] == "24C02"
