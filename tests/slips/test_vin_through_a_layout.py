"""The slips by which a VIN, a ban or a protected byte once got past the gate, by real commands."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from tests.build import DONOR_VIN, LAYOUT, VEHICLE_VIN, module_memory
from tests.command_line import parse_document
from tests.workflow.jobs import DONOR, KEEP, ORDER, ORIGINAL, Bench, new_bench

STRANGER_VIN = "5GZCZ43D13S812715"
"""Zint barcode encoder, test data."""
CONFIRM = ("--confirm", "042788", "--out", "out.bin", "--json")


@pytest.fixture(scope="module")
def _opened(tmp_path_factory: pytest.TempPathFactory) -> Bench:
    bench = new_bench(tmp_path_factory.mktemp("slips") / "bench")
    done = bench.start()
    assert done.returncode == 0, done.stderr
    return bench


@pytest.fixture
def opened(_opened: Bench, tmp_path: Path) -> Bench:
    return _opened.copy_to(tmp_path / "bench")


def assert_refused(bench: Bench, code: str, *arguments: str) -> None:
    done = bench.in_job("blank", "donor", *arguments, *CONFIRM)
    error = parse_document(done, "error")
    assert (done.returncode, error["code"]) == (3, code), done.stdout
    assert not (bench.folder / "out.bin").exists()


def spelling(text: str, address: int) -> str:
    """Regions of two bytes whose blank patterns spell a text."""
    return "".join(
        f'\n[[region]]\nname = "r{place}"\nspan = "{address + place:#x}+{len(part)}"'
        f'\nkind = "state"\nblank_to = "{part.encode().hex(" ")}"\n'
        for place in range(0, len(text), 2)
        for part in [text[place : place + 2]]
    )


def test_vin_spelt_by_blank_patterns(opened: Bench) -> None:
    opened.write("spells.toml", (LAYOUT + spelling(STRANGER_VIN, 0xE0)).encode())
    assert_refused(opened, "no-new-identity", "--layout", "spells.toml", *KEEP)


def test_vehicles_last_six_spelt_by_blank_patterns(opened: Bench) -> None:
    opened.write("spells.toml", (LAYOUT + spelling(VEHICLE_VIN[-6:], 0xE0)).encode())
    assert_refused(opened, "no-new-identity", "--layout", "spells.toml", *KEEP)


def test_vin_out_of_a_reference_that_is_the_originals_own_read(opened: Bench) -> None:
    opened.write("reference.bin", ORIGINAL)
    opened.in_job(
        *("start", "--chip", "24C02", "--reference", "reference.bin", "--single-read", "one only")
    )
    text = LAYOUT.replace('name = "VIN"', 'name = "VIN"\nblank_to = "reference"', 1)
    opened.write("takes.toml", text.encode())
    assert_refused(opened, "no-new-identity", "--layout", "takes.toml", *KEEP)


def test_airbag_called_body_afterwards(tmp_path: Path) -> None:
    bench = new_bench(tmp_path / "bench")
    bench.start(
        order=(
            "--work-order",
            "7",
            "--vehicle-vin",
            VEHICLE_VIN,
            "--module-kind",
            "airbag",
            "--authority",
            "papers seen",
        )
    )
    assert bench.in_job("start", "--module-kind", "body").returncode in (0, 1)
    assert_refused(bench, "module-kind", *KEEP)


def test_airbag_said_by_a_layout_that_was_only_tried(opened: Bench) -> None:
    opened.write("airbag.toml", LAYOUT.replace('"body"', '"airbag"').encode())
    tried = opened.in_job("blank", "donor", "--layout", "airbag.toml", *KEEP, "--dry-run")
    assert tried.returncode == 1
    assert_refused(opened, "module-kind", *KEEP)
    assert_refused(opened, "module-kind", "--vin", "1M8GDM9AXKP042788")


def test_another_layout_that_calls_the_protected_region_state(opened: Bench) -> None:
    text = LAYOUT.replace('kind = "protected"', 'kind = "state"')
    opened.write("mine.toml", text.encode())
    assert_refused(opened, "protected-untouched", "--layout", "mine.toml", *KEEP)


def test_protected_bytes_in_a_plan(opened: Bench) -> None:
    secret = DONOR[0x80:0x84]
    arguments = ("blank", "donor", "--span", "0x80-0x83", *KEEP, "--dry-run")
    shown = opened.in_job(*arguments)
    document = parse_document(opened.in_job(*arguments, "--json"), "blank")
    assert secret.hex(" ").upper() not in shown.stdout + shown.stderr
    hidden = [edit for edit in document["memories"][0]["edits"] if edit["start"] == 0x80]
    assert [(edit["end"], edit["old"], edit["new"]) for edit in hidden] == [(0x84, None, None)]


def test_everything_kept(opened: Bench) -> None:
    assert_refused(opened, "kept-identity", "--keep", "0x0000+256", "--reason", "all of it")


def test_a_read_that_a_boot_loader_masked(tmp_path: Path) -> None:
    bench = new_bench(tmp_path / "bench")
    for name in ("d1.bin", "d2.bin"):
        bench.write(name, module_memory(secret=b"\xff" * 16))
    bench.start()
    assert_refused(bench, "read-areas", *KEEP)


def test_a_vote_across_two_modules(opened: Bench) -> None:
    done = opened.run(
        *("convert", "d1.bin", "made.bin", "--majority", "o1.bin", "--majority", "o2.bin"),
        "--json",
    )
    assert (done.returncode, parse_document(done, "error")["code"]) == (3, "two-modules")
    assert not (opened.folder / "made.bin").exists()


def test_a_vin_through_the_fill_of_one_byte(opened: Bench) -> None:
    vin = STRANGER_VIN.encode()
    lines = [_s1(0x20, vin[:8]), _s1(0x29, vin[9:]), "S9030000FC"]
    opened.write("holed.s19", ("\n".join(lines) + "\n").encode())
    done = opened.run("convert", "holed.s19", "made.bin", "--fill", f"0x{vin[8]:02X}", "--json")
    assert (done.returncode, parse_document(done, "error")["code"]) == (3, "new-identity")
    assert not (opened.folder / "made.bin").exists()


def test_a_vehicle_that_changes_after_the_blanking(opened: Bench) -> None:
    assert opened.blank("--out", "out.bin").returncode == 0
    for vin, more in ((STRANGER_VIN, ()), ("1M8GDM9AXKP042788", ("--reason", "a slip"))):
        done = opened.in_job("start", "--vehicle-vin", vin, *more, "--json")
        assert (done.returncode, parse_document(done, "error")["code"]) == (3, "vehicle-changed")
    given = opened.in_job("start", "--vehicle-vin", STRANGER_VIN, "--reason", "wrong paper")
    assert given.returncode in (0, 1)


def test_a_vehicle_vin_with_a_wrong_check_digit(opened: Bench) -> None:
    wrong = VEHICLE_VIN[:8] + "5" + VEHICLE_VIN[9:]
    done = opened.in_job("start", "--vehicle-vin", wrong, "--json")
    assert (done.returncode, parse_document(done, "error")["code"]) == (2, "vin-check-digit")
    so = opened.in_job("start", "--vehicle-vin", wrong, "--vin-exception", "so on the plate")
    assert so.returncode in (0, 1)


def test_keys_in_the_module_and_a_vin_alone(opened: Bench) -> None:
    assert opened.in_job("start", "--also-holds", "keys").returncode in (0, 1)
    assert_refused(opened, "also-holds", "--vin", "1M8GDM9AXKP042788")


def _s1(address: int, data: bytes) -> str:
    body = bytes([len(data) + 3]) + address.to_bytes(2, "big") + data
    return f"S1{(body + bytes([255 - sum(body) % 256])).hex().upper()}"


def test_a_vin_alone_whose_checksum_would_be_left_wrong(bench: Bench) -> None:
    reads = (
        *("--original", "o1.bin", "--original", "o2.bin"),
        *("--donor", "d1.bin", "--donor", "d2.bin"),
    )
    bench.in_job("start", "--chip", "24C02", *reads, *ORDER)
    done = bench.in_job("blank", "donor", "--vin", DONOR_VIN, "--dry-run", "--json")
    failed = [row for row in json.loads(done.stdout)["checks"] if row["result"] == "fail"]
    assert [row["code"] for row in failed] == ["reviewed-layout"]
    assert "CRC-16/IBM-3740 over 0x0010-0x0021" in failed[0]["text"]
