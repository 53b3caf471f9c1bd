"""`blank donor` where the donor has two memories: planned together, all written or none."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from tests.build import VEHICLE_VIN, blanked_memory
from tests.command_line import parse_document
from tests.workflow.jobs import DONOR, Bench
from tests.workflow.two_memories import FLASH, FLASH_DONOR, blanked_flash, flash_memory, start_two

KEEP = ("--keep", "24c02=0x40+4", "--reason", "counter")
CONFIRM = ("--confirm", "042788")


@pytest.fixture(scope="module")
def _two(tmp_path_factory: pytest.TempPathFactory) -> Bench:
    return start_two(tmp_path_factory.mktemp("two") / "bench")


@pytest.fixture
def two(_two: Bench, tmp_path: Path) -> Bench:
    return _two.copy_to(tmp_path / "bench")


def kinds(bench: Bench) -> list[str]:
    lines = (bench.job / "journal.jsonl").read_text().splitlines()
    return [json.loads(line)["kind"] for line in lines]


def test_all_memories_are_blanked_under_one_confirmation(two: Bench) -> None:
    done = two.in_job("blank", "donor", *KEEP, *CONFIRM, "--out", "write", "--json")
    document = parse_document(done, "blank")
    assert [memory["name"] for memory in document["memories"]] == ["24c02", FLASH]
    assert (two.folder / "write" / "to-write-24C02.bin").read_bytes() == blanked_memory(DONOR)
    assert (two.folder / "write" / "to-write-2K.bin").read_bytes() == blanked_flash(FLASH_DONOR)
    assert [check["memory"] for check in document["checks"] if check["code"] == "open-job"] == [
        "24c02",
        FLASH,
    ]
    assert kinds(two).count("image-blanked") == 2
    names = {path.name for path in (two.job / "files").glob("to-write-*")}
    assert names == {"to-write-24C02-1.bin", "to-write-2K-1.bin"}


def test_one_memory_can_be_blanked_by_its_name(two: Bench) -> None:
    done = two.in_job("blank", f"donor/{FLASH}", *CONFIRM, "--out", "flash.bin")
    assert done.returncode == 0, done.stderr
    assert (two.folder / "flash.bin").read_bytes() == blanked_flash(FLASH_DONOR)
    assert kinds(two).count("image-blanked") == 1


def test_the_card_says_how_each_memory_is_programmed(two: Bench) -> None:
    two.in_job("blank", "donor", *KEEP, *CONFIRM)
    done = two.in_job("check", "--stage", "before-writing")
    flash, eeprom = sorted(done.stdout.split("To program: ")[1:], key=lambda card: "24C02" in card)
    assert "0x0000-0x00FF (256 bytes)" in eeprom
    assert "WP pin" in eeprom
    assert "no erase" in eeprom
    assert "0x0000-0x07FF (2,048 bytes)" in flash
    assert "erase first" in flash
    assert "lock and security bits" in flash


def test_one_broken_rule_in_one_memory_keeps_all_files_from_being_written(two: Bench) -> None:
    before = two.files()
    done = two.in_job(*("blank", "donor", *KEEP, "--span", "24c02=0x80-0x8F", *CONFIRM, "--json"))
    error = parse_document(done, "error")
    assert (done.returncode, error["code"]) == (3, "protected-untouched")
    assert "24c02" in error["message"]
    assert two.files() == before
    assert "image-blanked" not in kinds(two)


def test_an_output_that_exists_for_one_memory_keeps_all_from_being_written(two: Bench) -> None:
    (two.folder / "write").mkdir()
    (two.folder / "write" / "to-write-2K.bin").write_bytes(b"mine")
    done = two.in_job("blank", "donor", *KEEP, *CONFIRM, "--out", "write")
    assert done.returncode == 3
    assert [path.name for path in (two.folder / "write").iterdir()] == ["to-write-2K.bin"]


def test_a_wrong_confirmation_writes_nothing(two: Bench) -> None:
    before = two.files()
    done = two.in_job("blank", "donor", *KEEP, "--confirm", "042789", "--json")
    assert parse_document(done, "error")["code"] == "confirmed"
    assert two.files() == before


@pytest.mark.parametrize("option", ["--span", "--keep"])
def test_a_span_names_its_memory_where_there_are_two(two: Bench, option: str) -> None:
    reason = ("--reason", "counter") if option == "--keep" else ()
    done = two.in_job("blank", "donor", option, "0x40+4", *reason, *CONFIRM, "--json")
    assert (done.returncode, parse_document(done, "error")["code"]) == (2, "which-memory")
    done = two.in_job("blank", "donor", option, "rom=0x40+4", *reason, *CONFIRM, "--json")
    assert (done.returncode, parse_document(done, "error")["code"]) == (2, "no-such-memory")


def test_a_memory_without_identity_is_named_and_not_planned(tmp_path: Path) -> None:
    bench = start_two(tmp_path / "bench", flash_donor=shared_data(), layout=False)
    done = bench.in_job("blank", "donor", *KEEP, *CONFIRM)
    assert done.returncode == 0, done.stderr
    assert "Not planned" in done.stdout
    assert "no trace of an identity was found in it" in done.stdout
    assert kinds(bench).count("image-blanked") == 1


def test_a_trace_of_the_identity_in_a_memory_without_layout_refuses_all(tmp_path: Path) -> None:
    traced = bytearray(shared_data())
    traced[0x700:0x708] = DONOR[0x10:0x21][-8:]
    bench = start_two(tmp_path / "bench", flash_donor=bytes(traced), layout=False)
    done = bench.in_job("blank", "donor", *KEEP, *CONFIRM, "--json")
    error = parse_document(done, "error")
    assert (done.returncode, error["code"]) == (3, "reviewed-layout")
    assert FLASH in error["message"]
    assert "image-blanked" not in kinds(bench)


def test_several_identities_are_confirmed_by_the_digest_of_all_plans(tmp_path: Path) -> None:
    other = "WP0ZZZ99ZTS392124"  # Zint, test data; position 9 holds no check digit
    bench = start_two(tmp_path / "bench", flash_donor=flash_memory(other))
    shown = bench.in_job("blank", "donor", *KEEP, "--dry-run").stdout
    digest = "".join(shown.split("digest of the plans ")[1].split())[:64]
    assert bench.in_job("blank", "donor", *KEEP, "--confirm", "042788").returncode == 3
    done = bench.in_job("blank", "donor", *KEEP, "--confirm", digest[:6])
    assert done.returncode == 0, done.stderr


def test_a_vin_alone_is_blanked_in_every_memory_that_holds_it(tmp_path: Path) -> None:
    # No checksum over a VIN holds; where one does, a layout is asked for.
    donor, flash = bytearray(DONOR), bytearray(FLASH_DONOR)
    donor[0x22] ^= 1
    flash[0x122] ^= 1
    two = start_two(tmp_path / "bench", donor=bytes(donor), flash_donor=bytes(flash))
    done = two.in_job(
        *("blank", "donor", "--vin", DONOR[0x10:0x21].decode(), *CONFIRM, "--out", "write")
    )
    assert done.returncode == 0, done.stderr
    written = (two.folder / "write" / "to-write-2K.bin").read_bytes()
    assert written == bytes(flash[:0x100] + b"\xff" * 34 + flash[0x122:])
    done = two.in_job("blank", "donor", "--vin", VEHICLE_VIN, *CONFIRM, "--json")
    assert parse_document(done, "error")["code"] == "no-plan"


def shared_data() -> bytes:
    """A data flash without an identity."""
    return b"\xff" * 0x200 + FLASH_DONOR[0x200:]
