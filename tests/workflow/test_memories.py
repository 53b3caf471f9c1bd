"""One module with two memories is one job; all reads of a memory count together."""

from __future__ import annotations

import hashlib
import json
from pathlib import Path
from typing import Any

import pytest

from memtool.workflow.context import open_context
from memtool.workflow.places import find_store
from memtool.workflow.showing import load_shown
from tests.build import VEHICLE_VIN, module_memory
from tests.command_line import parse_document
from tests.workflow.jobs import DONOR, ORDER, ORIGINAL, Bench

CODE = b"".join(hashlib.sha256(bytes([number])).digest() for number in range(32))
"""Program of both modules: 1,024 bytes, equal, without identity."""
MEMORIES = ("--memory", "eeprom=24C02", "--memory", "program=1K")


@pytest.fixture
def two(bench: Bench) -> Bench:
    """Reads of two modules with two memories each; no job yet."""
    for name in ("po1", "po2", "pd1", "pd2"):
        bench.write(f"{name}.bin", CODE)
    return bench


def reads(option: str, *names: str) -> list[str]:
    return [part for name in names for part in (option, name)]


def start_two(bench: Bench, *more: str) -> dict[str, Any]:
    done = bench.in_job(
        *("start", *MEMORIES, "--json", "--reseated", *ORDER),
        *reads("--original", "o1.bin", "o2.bin", "po1.bin", "po2.bin"),
        *reads("--donor", "d1.bin", "d2.bin", "program=pd1.bin", "pd2.bin"),
        *more,
    )
    assert done.stdout, done.stderr
    return parse_document(done, "start")


def by_name(document: dict[str, Any]) -> dict[str, dict[str, Any]]:
    return {memory["name"]: memory for memory in document["memories"]}


def counts(memory: dict[str, Any]) -> dict[str, int]:
    return {module["role"]: module["reads"] for module in memory["modules"]}


def test_two_memories_are_one_job_and_each_read_finds_its_own(two: Bench) -> None:
    memories = by_name(start_two(two, "--layout", "module.toml"))
    assert [(name, memory["chip"]) for name, memory in memories.items()] == [
        ("eeprom", "24C02"),
        ("program", "1K"),
    ]
    assert counts(memories["eeprom"]) == {"original": 2, "donor": 2}
    assert counts(memories["program"]) == {"original": 2, "donor": 2}
    assert memories["eeprom"]["layout"] == "test module"
    assert memories["program"]["layout"] is None


def test_start_says_which_memory_holds_identity_and_which_needs_nothing(two: Bench) -> None:
    document = start_two(two, "--layout", "module.toml")
    memories = by_name(document)
    assert (memories["eeprom"]["holds_identity"], memories["eeprom"]["equal"]) == (True, False)
    assert (memories["program"]["holds_identity"], memories["program"]["equal"]) == (False, True)
    # An equal program flash asks for nothing: the next step is about the EEPROM alone.
    assert "program" not in document["next"]
    text = two.in_job("start").stdout
    assert "Identity is in: eeprom." in text
    assert "nothing is to be done: program." in " ".join(text.split())
    assert max(map(len, text.splitlines())) <= 80


def test_memories_come_one_after_another(two: Bench) -> None:
    first = two.in_job("start", "--memory", "eeprom=24C02", "--json", *ORDER)
    assert [memory["name"] for memory in parse_document(first, "start")["memories"]] == ["eeprom"]
    two.in_job("start", *reads("--donor", "d1.bin", "d2.bin"))
    last = two.in_job("start", "--memory", "program=1K", "--donor", "pd1.bin", "--json")
    memories = by_name(parse_document(last, "start"))
    assert counts(memories["eeprom"]) == {"donor": 2}
    assert counts(memories["program"]) == {"donor": 1}


def test_a_read_that_fits_two_memories_is_asked_for(two: Bench) -> None:
    before = two.files()
    done = two.in_job(
        *("start", "--memory", "one=24C02", "--memory", "two=93C56", "--json", *ORDER),
        *reads("--donor", "d1.bin"),
    )
    error = parse_document(done, "error")
    assert (done.returncode, error["code"], error["file"]) == (2, "which-memory", "d1.bin")
    assert "one=FILE" in error["next"]
    assert two.files() == before


@pytest.mark.parametrize("name", ["eeprom=x.bin", "other=x.bin", "a=b=c.bin"])
def test_a_file_whose_own_name_holds_an_equals_sign_is_still_a_file(two: Bench, name: str) -> None:
    two.write(name, DONOR)
    given = f"eeprom={name}" if name.startswith("eeprom=") else name
    done = two.in_job("start", *MEMORIES, "--donor", given, "--json", *ORDER)
    memories = by_name(parse_document(done, "start"))
    assert counts(memories["eeprom"]) == {"donor": 1}


def test_a_memory_keeps_its_chip(two: Bench) -> None:
    start_two(two)
    done = two.in_job("start", "--memory", "eeprom=95160", "--json")
    assert done.returncode == 3
    assert parse_document(done, "error")["code"] == "memory-has-another-chip"


@pytest.mark.parametrize("text", ["95160", "EEPROM=95160", "=95160", "e=95l60", "a b=95160"])
def test_a_memory_that_is_named_badly_is_refused(bench: Bench, text: str) -> None:
    done = bench.in_job("start", "--memory", text, *ORDER)
    assert done.returncode == 2
    assert not bench.job.exists()


def test_job_names_take_the_memory_behind_a_slash(two: Bench) -> None:
    start_two(two)
    for name, data in (("donor/eeprom", DONOR), ("original/program", CODE)):
        document = parse_document(two.in_job("inspect", name, "--json"), "inspect")
        assert document["reads"][0]["size"] == len(data)
    done = two.in_job("inspect", "donor", "--json")
    assert parse_document(done, "error")["code"] == "which-memory"
    assert "donor/eeprom" in done.stdout


def test_a_draft_is_of_the_memory_that_is_named(two: Bench) -> None:
    start_two(two)
    done = two.in_job("layout", "draft", "original/eeprom", "donor/eeprom", "--out", "e.toml")
    assert done.returncode == 0, done.stderr
    assert 'chip = "24C02"' in (two.folder / "e.toml").read_text()
    mixed = two.in_job("layout", "draft", "original/eeprom", "donor/program", "--out", "m.toml")
    assert mixed.returncode == 2
    assert "one memory" in mixed.stderr


def test_a_review_shows_the_memory_that_the_layout_is_of(two: Bench) -> None:
    """Whatever memory was added last."""
    start_two(two)
    context = open_context(job=two.job, stores=find_store(two.folder / "store"))
    for chip, size in (("24C02", len(DONOR)), ("1K", len(CODE))):
        shown = load_shown(context, (), chip)
        assert [(item.name, item.image.size) for item in shown] == [
            ("original", size),
            ("donor", size),
        ]


def damaged(data: bytes, address: int) -> bytes:
    changed = bytearray(data)
    changed[address] ^= 0x20
    return bytes(changed)


def test_a_read_is_not_argued_away_by_giving_others(bench: Bench) -> None:
    """Reads 1 and 2 differ; further ones agree, and the difference still counts."""
    bench.write("d2.bin", damaged(DONOR, 0xA3))
    bench.start()
    bench.write("d3.bin", DONOR)
    document = parse_document(bench.in_job("start", "--donor", "d3.bin", "--json"), "start")
    donor = document["memories"][0]["modules"][1]
    assert (donor["reads"], donor["agree"]) == (3, False)
    assert donor["agreement"]["differing_bytes"] == 1
    assert donor["agreement"]["spans"] == [{"start": 0xA3, "end": 0xA4}]


def test_the_same_file_again_is_not_counted_again(started: Bench) -> None:
    for _ in range(2):
        document = parse_document(started.in_job("start", "--donor", "d1.bin", "--json"), "start")
        assert counts(document["memories"][0]) == {"original": 2, "donor": 2}


def test_a_read_is_withdrawn_with_a_reason_and_stays_on_record(bench: Bench) -> None:
    bench.write("d2.bin", damaged(DONOR, 0xA3))
    bench.start()
    bench.write("d3.bin", DONOR)
    done = bench.in_job(
        *("start", "--donor", "d3.bin", "--replaces", "d2.bin"),
        *("--reason", "clip slipped while it read", "--json"),
    )
    memory = parse_document(done, "start")["memories"][0]
    donor = memory["modules"][1]
    assert (donor["reads"], donor["agree"]) == (2, True)
    assert [(read["name"], read["reason"]) for read in memory["withdrawn"]] == [
        ("d2.bin", "clip slipped while it read")
    ]
    stored = [(bench.folder / path).read_bytes() for path in bench.files() if "store/" in path]
    assert damaged(DONOR, 0xA3) in stored
    lines = (bench.job / "journal.jsonl").read_text().splitlines()
    assert "read-withdrawn" in [json.loads(line)["kind"] for line in lines]
    report = parse_document(bench.in_job("report", "--json"), "report")
    told = [point for point in report["open_points"] if "withdrawn" in point]
    assert len(told) == 1
    assert "'d2.bin': clip slipped while it read" in told[0]


@pytest.mark.parametrize(
    ("more", "code"),
    [
        (("--replaces", "d2.bin"), "missing-answer"),
        (("--replaces", "d2.bin", "--reason", " "), "says-nothing"),
        (("--replaces", "d2.bin", "--reason", "."), "says-nothing"),
        (("--replaces", "unknown.bin", "--reason", "bad contact"), "which-read"),
        (("--authority", "."), "says-nothing"),
        (("--technician", " "), "says-nothing"),
        (("--single-read", "-"), "says-nothing"),
        (("--sitting", " "), "says-nothing"),
    ],
)
def test_a_blank_or_a_dot_is_no_answer(started: Bench, more: tuple[str, ...], code: str) -> None:
    before = (started.job / "journal.jsonl").read_bytes()
    done = started.in_job("start", *more, "--json")
    assert (done.returncode, parse_document(done, "error")["code"]) == (2, code)
    assert (started.job / "journal.jsonl").read_bytes() == before


def test_a_new_sitting_starts_its_own_count(started: Bench) -> None:
    later = module_memory(starts=4712)
    started.write("d3.bin", later)
    done = started.in_job("start", "--donor", "d3.bin", "--sitting", "after a test drive", "--json")
    donor = parse_document(done, "start")["memories"][0]["modules"][1]
    assert (donor["reads"], donor["agree"], donor["sitting"]) == (1, None, "after a test drive")
    started.write("d4.bin", later)
    document = parse_document(started.in_job("start", "--donor", "d4.bin", "--json"), "start")
    donor = document["memories"][0]["modules"][1]
    assert (donor["reads"], donor["agree"], donor["sitting"]) == (2, True, "after a test drive")


def test_an_area_that_was_not_read_takes_no_part_in_what_differs(two: Bench) -> None:
    masked = DONOR[:0xA0] + b"\xff" * 0x40 + DONOR[0xE0:]
    for name in ("d1.bin", "d2.bin"):
        two.write(name, masked)
    before = by_name(start_two(two))["eeprom"]["differing"]
    assert any(0xA0 <= span["start"] < 0xE0 for span in before)
    area = ("--not-read", "eeprom=0xA0-0xDF", "--reason", "the boot loader hides it")
    memory = by_name(parse_document(two.in_job("start", *area, "--json"), "start"))["eeprom"]
    assert memory["not_read"] == [{"start": 0xA0, "end": 0xE0}]
    assert memory["differing"]
    assert not any(0xA0 <= span["start"] < 0xE0 for span in memory["differing"])
    assert "not the same as empty" in " ".join(two.in_job("start").stdout.split())


@pytest.mark.parametrize(
    ("area", "code"),
    [
        (("--not-read", "eeprom=0xA0-0xDF"), "missing-answer"),
        (("--not-read", "eeprom=0xA0-0xDF", "--reason", "."), "says-nothing"),
        (("--not-read", "0xA0-0xDF", "--reason", "hidden"), "which-memory"),
        (("--not-read", "flash=0xA0-0xDF", "--reason", "hidden"), "which-memory"),
    ],
)
def test_an_area_is_not_read_with_its_memory_and_a_reason_only(
    two: Bench, area: tuple[str, ...], code: str
) -> None:
    start_two(two)
    before = (two.job / "journal.jsonl").read_bytes()
    done = two.in_job("start", *area, "--json")
    assert (done.returncode, parse_document(done, "error")["code"]) == (2, code)
    assert (two.job / "journal.jsonl").read_bytes() == before


def test_a_vin_is_taken_in_small_letters_and_with_blanks(bench: Bench) -> None:
    typed = f"{VEHICLE_VIN[:3]} {VEHICLE_VIN[3:9]} {VEHICLE_VIN[9:]}".lower()
    done = bench.in_job("start", "--vehicle-vin", typed, "--module-kind", "body", "--json")
    assert parse_document(done, "start")["order"]["vehicle_vin"] == VEHICLE_VIN


def test_every_read_is_still_the_file_that_was_given(two: Bench) -> None:
    start_two(two)
    stored = {(two.folder / path).read_bytes() for path in two.files() if "store/" in path}
    assert {ORIGINAL, DONOR, CODE} <= stored
    assert Path(two.job / "journal.jsonl").is_file()
