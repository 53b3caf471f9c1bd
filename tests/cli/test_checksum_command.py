"""`benchimage checksum` as a process: catalogue, one value, every rule of a layout."""

from __future__ import annotations

import importlib.util
import json
from pathlib import Path

import crccheck.crc
import pytest

from tests import checksum_reference as reference
from tests.command_line import parse_document, run_benchimage

LAYOUT = """
[layout]
name = "invented board"
chip = "24C02"
size = 256
module = "body"

[[checksum]]
name = "whole"
algorithm = "SUM-16"
covers = ["0x0000-0x003F"]
stored = "0x0040+2"
byte_order = "little"
when_blanked = "refresh"

[[checksum]]
name = "inner"
algorithm = "CRC-16/CCITT-FALSE"
covers = ["0x0000+9"]
stored = "0x0010+2"
byte_order = "big"
when_blanked = "refresh"
"""


def sound_image() -> bytes:
    data = bytearray(b"\xff" * 256)
    data[:9] = b"123456789"
    data[0x10:0x12] = b"\x29\xb1"  # The catalogue's check value.
    data[0x40:0x42] = (sum(data[:0x40]) & 0xFFFF).to_bytes(2, "little")
    return bytes(data)


@pytest.fixture
def image(tmp_path: Path) -> Path:
    path = tmp_path / "read.bin"
    path.write_bytes(sound_image())
    return path


@pytest.fixture
def layout(tmp_path: Path) -> Path:
    path = tmp_path / "board.toml"
    path.write_text(LAYOUT, encoding="utf-8")
    return path


def test_list_is_the_catalogue_under_its_schema() -> None:
    document = parse_document(run_benchimage("checksum", "list", "--json"), "checksum-list")
    rows = {row["name"]: row for row in document["algorithms"]}
    published = {crc._names[0]: crc for crc in crccheck.crc.ALLCRCCLASSES}
    crcs = {name for name, row in rows.items() if row["family"] == "crc"}
    assert crcs == set(published) - {"CRC-82/DARC"}
    assert set(rows) - crcs == {*reference.SUM_NAMES, *reference.XOR_NAMES, *reference.OTHER_NAMES}
    for name in crcs:
        row, theirs = rows[name], published[name]
        assert int(row["poly"], 16) == theirs.poly()
        assert int(row["init"], 16) == theirs.initvalue()
        assert int(row["xorout"], 16) == theirs.xor_output()
        assert int(row["check"], 16) == theirs._check_result
        assert int(row["residue"], 16) == theirs.residue()
        assert (row["refin"], row["refout"]) == (theirs.reflect_input(), theirs.reflect_output())
    assert rows["WORDSUM-32-LE/TWOS"]["word_order"] == "little"
    assert rows["SUM-8/TOTAL"]["ending"] == "total"


def test_list_fits_80_columns_and_names_every_algorithm() -> None:
    done = run_benchimage("checksum", "list")
    assert done.returncode == 0
    lines = done.stdout.splitlines()
    assert max(map(len, lines)) <= 80
    shown = {line.split()[0] for line in lines if line.startswith("  ")}
    assert {"CRC-16/IBM-3740", "CRC-64/XZ", "WORDSUM-16-BE/TOTAL", "ADLER-32"} <= shown
    assert "CRC-16/IBM-3740           1021  ones  no         0       29b1" in done.stdout


@pytest.mark.parametrize(
    ("name", "published", "width", "value"),
    [
        # G. Cook's catalogue: the check value of each.
        ("CRC-16/IBM-3740", "CRC-16/IBM-3740", 16, "29b1"),
        ("crc16-ccitt-false", "CRC-16/IBM-3740", 16, "29b1"),
        ("CRC-32/ISO-HDLC", "CRC-32/ISO-HDLC", 32, "cbf43926"),
        ("CRC-12/UMTS", "CRC-12/UMTS", 12, "0daf"),
        ("CRC-3/GSM", "CRC-3/GSM", 3, "04"),
        ("CRC-64/XZ", "CRC-64/XZ", 64, "995dc9bbdf1939fa"),
        ("SUM-8", "SUM-8", 8, "dd"),
        ("SUM-8/TOTAL", "SUM-8/TOTAL", 8, "23"),
        ("SUM-32", "SUM-32", 32, "000001dd"),
    ],
)
def test_compute_one_value(image: Path, name: str, published: str, width: int, value: str) -> None:
    arguments = ("checksum", "compute", image, "--algorithm", name, "--span", "0x0000-0x0008")
    done = run_benchimage(*arguments, "--json")
    assert (done.returncode, done.stderr) == (0, "")
    assert parse_document(done, "checksum-compute") == {
        "schema": "benchimage.checksum-compute/1",
        "algorithm": published,
        "start": 0,
        "end": 9,
        "width": width,
        "hex": value,
    }


def test_compute_tells_people_name_parameters_and_both_byte_orders(image: Path) -> None:
    done = run_benchimage("checksum", "compute", image, "--algorithm", "kermit", "--span", "0+9")
    # CRC-16/KERMIT over 123456789 is 2189 (catalogue).
    assert done.stdout.splitlines() == [
        "algorithm  CRC-16/KERMIT",
        "           16 bits, poly 1021, init 0, reflected yes, xorout 0",
        "span       0x0000-0x0008 (9 bytes)",
        "value      2189",
        "in memory  21 89 high byte first, or 89 21 low byte first",
    ]


def test_compute_says_that_a_block_of_one_byte_value_proves_nothing(image: Path) -> None:
    arguments = ("checksum", "compute", image, "--algorithm", "SUM-8", "--span")
    assert "every byte of the span is FF" in run_benchimage(*arguments, "0x0080+17").stderr
    assert "every byte" not in run_benchimage(*arguments, "0x0000+17").stderr


def test_compute_uses_the_addresses_of_the_base(image: Path) -> None:
    done = run_benchimage(
        *("checksum", "compute", image, "--base", "0x4000", "--algorithm", "CRC-8/SMBUS"),
        *("--span", "0x4000+9", "--json"),
    )
    assert parse_document(done, "checksum-compute")["hex"] == "f4"  # Catalogue's check value.


@pytest.mark.parametrize(
    ("options", "code", "words"),
    [
        (["--algorithm", "CRC-16", "--span", "0+9"], "ambiguous-algorithm", "CRC-16/ARC"),
        (["--algorithm", "Crc32B", "--span", "0+9"], "ambiguous-algorithm", "CRC-32/BZIP2"),
        (["--algorithm", "CRC-16/MODBUSS", "--span", "0+9"], "unknown-algorithm", "CRC-16/MODBUS"),
        (["--algorithm", "CRC-82/DARC", "--span", "0+9"], "unknown-algorithm", "wider than 64"),
        (["--algorithm", "SUM-8", "--span", "0xF0+32"], "undefined-bytes", "0x0100-0x010F"),
        (["--algorithm", "WORDSUM-16-BE", "--span", "0+9"], "odd-length", "even number of bytes"),
        (["--algorithm", "SUM-8", "--span", "0+9", "--chip", "banana"], "unknown-chip", "banana"),
        (["--algorithm", "SUM-8", "--span", "9-3"], "usage", "empty span"),
        (["--span", "0+9"], "usage", "--algorithm"),
    ],
)
def test_compute_refuses_what_would_give_a_wrong_number(
    image: Path, options: list[str], code: str, words: str
) -> None:
    done = run_benchimage("checksum", "compute", image, *options, "--json")
    assert done.returncode == 2
    error = json.loads(done.stdout)
    assert (error["schema"], error["exit"]) == ("benchimage.error/1", 2)
    assert error["code"] == code
    assert words in error["message"]
    assert words in done.stderr
    assert "Traceback" not in done.stderr


def test_compute_notes_a_read_of_another_size_than_the_chip(image: Path) -> None:
    arguments = ("checksum", "compute", image, "--algorithm", "SUM-8", "--span", "0+9", "--chip")
    assert (
        "the read has 256 bytes, a 24C16 holds 2048" in run_benchimage(*arguments, "24C16").stderr
    )
    assert run_benchimage(*arguments, "24C02", "--json").stderr == ""


def test_compute_lets_the_last_record_win_on_purpose_only(tmp_path: Path) -> None:
    path = tmp_path / "overlap.hex"
    # Two data records at 0000 with other bytes; sums by the Intel HEX rule.
    path.write_text(":020000000102FB\n:020000000304F7\n:00000001FF\n")
    arguments = ("checksum", "compute", path, "--algorithm", "SUM-8", "--span", "0+2", "--json")
    assert run_benchimage(*arguments).returncode == 4
    done = run_benchimage(*arguments, "--overlap", "last")
    assert parse_document(done, "checksum-compute")["hex"] == "07"


def test_compute_refuses_a_gap_inside_the_span(tmp_path: Path) -> None:
    path = tmp_path / "gap.hex"
    # Two data records, at 0000 and 0008; sums by the Intel HEX rule.
    path.write_text(":0400000001020304F2\n:0400080005060708DA\n:00000001FF\n", encoding="ascii")
    done = run_benchimage("checksum", "compute", path, "--algorithm", "SUM-8", "--span", "0+12")
    assert done.returncode == 2
    assert "does not define 0x0004-0x0007 (4 bytes)" in done.stderr


def test_check_passes_a_sound_image_in_refresh_order(image: Path, layout: Path) -> None:
    done = run_benchimage("checksum", "check", image, "--layout", layout, "--json")
    document = parse_document(done, "checksum-check")
    assert (done.returncode, done.stderr) == (0, "")
    assert document["layout"] == "invented board"
    inner, whole = document["checksums"]
    assert inner == {
        "name": "inner",
        "algorithm": "CRC-16/IBM-3740",
        "covers": [{"start": 0, "end": 9}],
        "field": {"start": 0x10, "end": 0x12},
        "byte_order": "big",
        "stored": "29b1",
        "computed": "29b1",
        "result": "pass",
        "reason": None,
    }
    assert (whole["name"], whole["result"], whole["byte_order"]) == ("whole", "pass", "little")
    assert whole["stored"] == sound_image()[0x40:0x42].hex()


def test_check_ends_with_1_and_shows_both_values_of_a_wrong_one(image: Path, layout: Path) -> None:
    data = bytearray(sound_image())
    data[0x11] ^= 0x01
    image.write_bytes(data)
    done = run_benchimage("checksum", "check", image, "--layout", layout)
    assert done.returncode == 1
    rows = [line.split() for line in done.stdout.splitlines()]
    assert rows[0] == ["name", "algorithm", "stored", "computed", "result"]
    assert rows[1] == ["inner", "CRC-16/IBM-3740", "29", "B0", "29", "B1", "fail"]
    assert (rows[2][0], rows[2][-1]) == ("whole", "fail")
    assert "2 wrong" in done.stderr


def test_check_never_calls_undefined_bytes_good(image: Path, layout: Path) -> None:
    image.write_bytes(sound_image()[:0x20])
    done = run_benchimage("checksum", "check", image, "--layout", layout, "--json")
    assert done.returncode == 1
    inner, whole = parse_document(done, "checksum-check")["checksums"]
    assert (inner["result"], whole["result"]) == ("pass", "not-checked")
    assert (whole["stored"], whole["computed"]) == (None, None)
    assert "0x0020" in whole["reason"]
    text = run_benchimage("checksum", "check", image, "--layout", layout)
    assert "not checked: the image does not define 0x0020-0x0041 (34 bytes)" in text.stdout
    assert "1 right, 1 not checked" in text.stderr


def test_check_says_so_where_a_layout_names_no_checksum(image: Path, tmp_path: Path) -> None:
    path = tmp_path / "bare.toml"
    path.write_text(LAYOUT.split("[[checksum]]")[0], encoding="utf-8")
    done = run_benchimage("checksum", "check", image, "--layout", path)
    assert (done.returncode, done.stdout) == (0, "")
    assert "names no checksum" in done.stderr


def test_check_shows_names_from_the_file_escaped_and_within_80_columns(
    image: Path, tmp_path: Path
) -> None:
    path = tmp_path / "odd.toml"
    name = "a name that is much longer than its column, \\u001b[31m red"
    text = LAYOUT.replace('"inner"', f'"{name}"').replace("SUM-16", "CRC-16/IBM-3740")
    path.write_text(text, encoding="utf-8")
    done = run_benchimage("checksum", "check", image, "--layout", path)
    assert "\x1b" not in done.stdout
    assert max(map(len, done.stdout.splitlines())) <= 80


def test_a_cycle_in_a_layout_is_an_input_error_that_names_it(image: Path, layout: Path) -> None:
    layout.write_text(LAYOUT.replace('"0x0000+9"', '"0x0040+4"'), encoding="utf-8")
    done = run_benchimage("checksum", "check", image, "--layout", layout)
    assert done.returncode == 4
    assert "inner" in done.stderr
    assert "whole" in done.stderr
    assert "Traceback" not in done.stderr


def test_help_offers_the_subcommands_that_are_there() -> None:
    shown = run_benchimage("checksum", "--help").stdout
    assert all(f"\n  {name} " in shown for name in ("list", "compute", "check"))
    there = importlib.util.find_spec("memtool.cli.checksum_discover") is not None
    assert ("\n  discover " in shown) is there
    assert run_benchimage("checksum", "guess").returncode == 2


def test_inside_a_job_the_runs_are_added_to_its_journal(tmp_path: Path, layout: Path) -> None:
    reads = [tmp_path / f"{name}.bin" for name in ("o1", "o2", "d1", "d2")]
    for path in reads:
        path.write_bytes(sound_image())
    job, store = tmp_path / "order", tmp_path / "store"
    started = run_benchimage(
        *("start", "--job", job, "--store", store, "--chip", "24C02", "--module-kind", "body"),
        *("--original", reads[0], "--original", reads[1], "--donor", reads[2], "--donor", reads[3]),
        *("--work-order", "W-1", "--vehicle-vin", "1M8GDM9AXKP042788", "--authority", "owner"),
        *("--technician", "T", "--complaint", "none"),
    )
    assert (job / "journal.jsonl").exists(), started.stderr
    where = ("--job", job, "--store", store, "--json")
    for words in (
        ("checksum", "compute", "donor", "--algorithm", "CRC-16/IBM-3740", "--span", "0+9"),
        ("checksum", "check", "donor", "--layout", layout),
    ):
        done = run_benchimage(*words, *where)
        assert done.returncode == 0, done.stderr
    lines = (job / "journal.jsonl").read_text(encoding="utf-8").splitlines()
    entries = [json.loads(line) for line in lines][-2:]
    assert [entry["facts"]["command"] for entry in entries] == [
        "checksum compute",
        "checksum check",
    ]
    assert entries[0]["facts"]["details"]["hex"] == "29b1"
    assert entries[1]["facts"]["details"]["results"] == [
        {"name": "inner", "result": "pass"},
        {"name": "whole", "result": "pass"},
    ]


def test_help_of_each_subcommand_shows_an_example() -> None:
    for words in ([], ["list"], ["compute"], ["check"]):
        done = run_benchimage("checksum", *words, "--help")
        assert done.returncode == 0
        assert "Examples:" in done.stdout
        assert max(map(len, done.stdout.splitlines())) <= 100
