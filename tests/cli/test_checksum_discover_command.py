"""`benchimage checksum discover` as a process: documents, words, progress, interrupt."""

from __future__ import annotations

import os
import random
import signal
import subprocess
import sys
from pathlib import Path

import pytest
from crccheck.crc import Crc16Ibm3740, Crc32

from tests.command_line import ROOT, parse_document, run_benchimage


@pytest.fixture
def images(tmp_path: Path) -> list[Path]:
    """Three images of one layout: a field of 17 bytes, its CRC, and one over all of it."""
    source = random.Random(17)
    first = bytearray(source.randbytes(1024))
    paths = []
    for number in range(3):
        image = bytearray(first)
        image[0x60:0x71] = bytes(source.choices(b"ABCDEFGH0123456789", k=17))
        image[0x80:0x82] = int(Crc16Ibm3740.calc(image[0x40:0x80])).to_bytes(2, "big")
        image[0x3FC:] = int(Crc32.calc(image[:0x3FC])).to_bytes(4, "little")
        paths.append(tmp_path / f"read {number}.bin")
        paths[-1].write_bytes(image)
    return paths


def test_the_document_names_both_checksums_inner_one_first(images: list[Path]) -> None:
    done = run_benchimage("checksum", "discover", *images, "--base", "0x8000", "--json")
    assert done.returncode == 0, done.stderr
    document = parse_document(done, "checksum-discover")
    assert [image["path"] for image in document["images"]] == [str(path) for path in images]
    inner, outer = document["blocks"][:2]
    assert (inner["algorithm"], inner["byte_order"]) == ("CRC-16/IBM-3740", "big")
    assert (inner["start"], inner["end"]) == (0x8040, 0x8080)
    assert inner["field"] == {"start": 0x8080, "end": 0x8082}
    assert inner["images"] == [1, 2, 3]
    assert inner["standing"] == outer["standing"] == "convincing"
    assert (outer["algorithm"], outer["byte_order"]) == ("CRC-32/ISO-HDLC", "little")
    assert (outer["start"], outer["end"]) == (0x8000, 0x83FC)
    assert document["truncated"] > 0
    searched = document["searched"]
    assert "CRC-64/XZ" in searched["algorithms"]
    assert "ADLER-32" in searched["algorithms"]
    assert searched["spans"] == [{"start": 0x8000, "end": 0x8400}]
    assert [row["placement"] for row in searched["placements"]] == [
        "after-block",
        "image-end",
        "differing-bytes",
        "inside",
    ]


def test_people_read_block_field_evidence_and_what_was_searched(images: list[Path]) -> None:
    names = [path.name for path in images]
    done = run_benchimage("checksum", "discover", *names, cwd=images[0].parent, COLUMNS="80")
    assert done.returncode == 0, done.stderr
    assert "1  CRC-16/IBM-3740, big-endian: found" in done.stdout
    assert "0x0040-0x007F (64 bytes)" in done.stdout
    assert "0x0080-0x0081, right after the block" in done.stdout
    assert "images 1, 2, 3;" in done.stdout
    assert "Searched" in done.stdout
    assert "not listed; expected by chance alone" in " ".join(done.stdout.split())
    assert all(len(line) <= 80 for line in done.stdout.splitlines())
    assert "Next:" in done.stderr


def test_one_image_is_answered_with_what_would_settle_it(tmp_path: Path) -> None:
    path = tmp_path / "alone.bin"
    path.write_bytes(random.Random(20).randbytes(700))
    done = run_benchimage("checksum", "discover", path, "--max", "2")
    assert done.returncode == 0
    assert "One image is not enough" in done.stdout
    assert "A second image" in " ".join(done.stdout.split())
    assert "3  " not in [line[:3] for line in done.stdout.splitlines()]


def test_nothing_found_is_no_failure(tmp_path: Path) -> None:
    blank = tmp_path / "blank.bin"
    blank.write_bytes(b"\xff" * 512)
    done = run_benchimage("checksum", "discover", blank)
    assert done.returncode == 0
    assert done.stdout.startswith("No checksum found.")


@pytest.mark.parametrize("option", [["--max", "0"], ["--at", "0x10"], ["--within", "9-3"]])
def test_wrong_options_are_wrong_usage(images: list[Path], option: list[str]) -> None:
    done = run_benchimage("checksum", "discover", images[0], *option, "--json")
    assert done.returncode == 2
    assert parse_document(done, "error")["exit"] == 2


def test_a_name_with_control_characters_is_shown_escaped(tmp_path: Path) -> None:
    path = tmp_path / "a\x1b[31m.bin"
    path.write_bytes(bytes(range(200)))
    done = run_benchimage("checksum", "discover", path)
    assert "\x1b" not in done.stdout
    assert "\\x1b[31m" in done.stdout


def test_a_long_search_says_how_far_it_is_and_stops_when_interrupted(tmp_path: Path) -> None:
    """It ends in the middle: the search, which takes a minute and more, has no result, and says
    no more of how far it is. How soon it ends, tests/bench/bench_interrupt.py measures."""
    source = random.Random(1)
    paths = [tmp_path / f"{number}.bin" for number in range(3)]
    for path in paths:
        path.write_bytes(source.randbytes(1 << 20))
    process = subprocess.Popen(
        [sys.executable, "-m", "memtool", "checksum", "discover", *map(str, paths)],
        env=os.environ | {"PYTHONPATH": str(ROOT)},
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        # A shell that starts the tests in the background has SIGINT ignored.
        preexec_fn=lambda: signal.signal(signal.SIGINT, signal.SIG_DFL),
    )
    assert process.stderr is not None
    first = process.stderr.readline()
    assert first.startswith("searching: ")
    assert "%" in first
    process.send_signal(signal.SIGINT)
    output, errors = process.communicate()
    assert process.returncode == 130
    assert output == ""
    # One more line may have been on its way when the signal was sent.
    told = [line for line in errors.splitlines() if not line.startswith("searching: ")]
    assert [line for line in told if line] == ["benchimage: interrupted."]
    assert errors.count("searching: ") <= 1
