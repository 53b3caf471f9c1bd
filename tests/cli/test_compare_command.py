"""`benchimage compare` as a process: output, JSON, exit status."""

from __future__ import annotations

import json
import random
import zlib
from pathlib import Path

import pytest

from tests.command_line import parse_document, run_benchimage

# Published worked VINs: 49 CFR 565.15 Table VI; Wikipedia, vehicle identification number.
VIN_A, VIN_B = b"1G4AH59H45G118341", b"1M8GDM9AXKP042788"
LAYOUT = """
[layout]
name = "invented module"
chip = "24C02"
base = 0
size = 256
erased = 0xFF
module = "body"
reviewed = true

[[region]]
name = "VIN"
span = "0x0020+17"
kind = "vehicle-identity"
type = "vin"

[[region]]
name = "keys"
span = "0x0040+16"
kind = "protected"
type = "ascii"

[[checksum]]
name = "identity block"
algorithm = "CRC-32/ISO-HDLC"
covers = ["0x0020-0x0030"]
stored = "0x0060+4"
byte_order = "big"
when_blanked = "refresh"
"""


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    for name, vin, keys in (("a.bin", VIN_A, b"Z"), ("b.bin", VIN_B, b"W")):
        data = bytearray(b"\xff" * 256)
        data[0x20:0x31] = vin
        data[0x40:0x50] = keys * 16
        data[0x60:0x64] = zlib.crc32(vin).to_bytes(4, "big")
        if name == "b.bin":
            data[0x80:0x91] = VIN_A
        (tmp_path / name).write_bytes(data)
    (tmp_path / "layout.toml").write_text(LAYOUT)
    return tmp_path


def intel_hex(data: bytes, address: int) -> str:
    """Records of 16 bytes, written here by hand: tests import no encoder of memtool."""
    lines = []
    for place in range(0, len(data), 16):
        part = data[place : place + 16]
        record = bytes([len(part), *(address + place).to_bytes(2, "big"), 0]) + part
        lines.append(f":{record.hex()}{-sum(record) & 0xFF:02x}".upper())
    return "\n".join([*lines, ":00000001FF", ""])


def test_json_without_layout_has_raw_bytes_and_the_moved_block(folder: Path) -> None:
    done = run_benchimage("compare", "a.bin", "b.bin", "--json", cwd=folder)
    document = parse_document(done, "compare")
    assert done.returncode == 1
    assert document["equal"] is False
    a, b = (folder / "a.bin").read_bytes(), (folder / "b.bin").read_bytes()
    assert document["differing_bytes"] == sum(x != y for x, y in zip(a, b, strict=True))
    assert document["only_in_a"] == document["only_in_b"] == []
    for run in document["runs"]:
        assert run["a"] == a[run["start"] : run["end"]].hex()
        assert run["b"] == b[run["start"] : run["end"]].hex()
        assert (run["region"], run["kind"]) == (None, None)
    assert document["moved"] == [{"a_start": 0x20, "b_start": 0x80, "length": 17}]
    assert document["same_layout"]["result"] == "not-checked"


def test_json_with_layout_names_regions_and_hides_protected_bytes(folder: Path) -> None:
    done = run_benchimage(
        "compare", "a.bin", "b.bin", "--layout", "layout.toml", "--json", cwd=folder
    )
    document = parse_document(done, "compare")
    kinds = {(run["region"], run["kind"]) for run in document["runs"]}
    assert kinds == {
        ("VIN", "vehicle-identity"),
        ("keys", "protected"),
        ("identity block", "checksum"),
        (None, None),
    }
    (hidden,) = [run for run in document["runs"] if run["kind"] == "protected"]
    assert (hidden["start"], hidden["end"]) == (0x40, 0x50)
    assert (hidden["a"], hidden["b"]) == (None, None)
    assert document["same_layout"]["result"] == "pass"


def test_terminal_shows_fields_by_name_and_no_protected_byte(folder: Path) -> None:
    done = run_benchimage("compare", "a.bin", "b.bin", "--layout", "layout.toml", cwd=folder)
    assert done.returncode == 1
    assert " differ, in " in done.stdout.splitlines()[0]
    assert (
        f"VIN (vehicle identity)\n    A  {VIN_A.decode()}\n    B  {VIN_B.decode()}" in done.stdout
    )
    assert "protected: not shown" in done.stdout
    assert "5A 5A" not in done.stdout
    assert "ZZ" not in done.stdout
    assert "One layout for both: pass." in done.stdout
    assert max(len(line) for line in done.stdout.splitlines()) <= 80
    assert "\x1b" not in done.stdout


def test_equal_images_end_with_zero_whatever_their_format(folder: Path) -> None:
    (folder / "a.hex").write_text(intel_hex((folder / "a.bin").read_bytes(), 0))
    done = run_benchimage("compare", "a.bin", "a.hex", "--json", cwd=folder)
    assert done.returncode == 0
    assert parse_document(done, "compare")["equal"] is True
    assert run_benchimage("compare", "a.bin", "a.bin", cwd=folder).returncode == 0


def test_same_bytes_at_another_base_are_not_equal(folder: Path) -> None:
    (folder / "a.hex").write_text(intel_hex((folder / "a.bin").read_bytes(), 0x200))
    done = run_benchimage("compare", "a.bin", "a.hex", "--json", cwd=folder)
    document = parse_document(done, "compare")
    assert done.returncode == 1
    assert document["only_in_a"] == [{"start": 0, "end": 0x100}]
    assert document["only_in_b"] == [{"start": 0x200, "end": 0x300}]
    assert document["same_layout"]["result"] == "fail"
    based = run_benchimage("compare", "a.bin", "a.hex", "--base", "0x200", cwd=folder)
    assert based.returncode == 0


def test_a_million_bytes_that_slipped_are_one_moved_block(tmp_path: Path) -> None:
    data = random.Random(11).randbytes(1 << 20)
    (tmp_path / "a.bin").write_bytes(data)
    (tmp_path / "b.bin").write_bytes(b"\x00" + data[:-1])
    done = run_benchimage("compare", "a.bin", "b.bin", "--format", "raw", "--json", cwd=tmp_path)
    document = parse_document(done, "compare")
    assert document["moved"] == [{"a_start": 0, "b_start": 1, "length": (1 << 20) - 1}]


@pytest.mark.parametrize(
    ("arguments", "status", "words"),
    [
        (["a.bin"], 2, "Missing argument 'B'"),
        (["a.bin", "none.bin"], 2, "none.bin"),
        (["a.bin", "b.bin", "--layout", "none.toml"], 2, "none.toml"),
        (["a.bin", "b.bin", "--layout", "a.bin"], 4, "a.bin"),
        (["a.bin", "b.bin", "--chip", "24C9999"], 2, "no chip is known as '24C9999'"),
        (["a.bin", "b.bin", "--format", "intel-hex"], 4, "a.bin"),
    ],
)
def test_faults_end_with_their_status_and_one_document(
    folder: Path, arguments: list[str], status: int, words: str
) -> None:
    done = run_benchimage("compare", *arguments, "--json", cwd=folder)
    assert done.returncode == status
    assert parse_error(done.stdout)["exit"] == status
    assert words in done.stderr
    assert "Traceback" not in done.stderr


def parse_error(text: str) -> dict[str, object]:
    document: dict[str, object] = json.loads(text)
    assert document["schema"] == "benchimage.error/1"
    return document


def test_nothing_is_written_by_a_comparison(folder: Path) -> None:
    before = sorted(path.name for path in folder.iterdir())
    run_benchimage("compare", "a.bin", "b.bin", "--layout", "layout.toml", cwd=folder)
    assert sorted(path.name for path in folder.iterdir()) == before


def test_help_has_examples() -> None:
    shown = run_benchimage("compare", "--help").stdout
    assert "benchimage compare donor.bin original.bin" in shown
    assert "--html" in shown
