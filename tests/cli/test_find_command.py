"""`benchimage find` as a process: matches, JSON, exit status."""

from __future__ import annotations

import json
import random
from pathlib import Path

import pytest

from memtool.render.text.identity_text import describe_odds
from tests.command_line import parse_document, run_benchimage

VIN = "1G4AH59H45G118341"
"""49 CFR 565.15, Table VI."""


@pytest.fixture
def image(tmp_path: Path) -> Path:
    data = bytearray(random.Random("find command").randbytes(4096))
    data[0x64:0x75] = VIN.encode()
    data[0x12C:0x13D] = bytes(255 - byte for byte in VIN.encode())
    # The last six digits as BCD, the last five as a number in two bytes (18341 = 0x47A5).
    data[0x1F4:0x1F7], data[0x258:0x25A] = bytes.fromhex("118341"), bytes.fromhex("47a5")
    path = tmp_path / "donor.bin"
    path.write_bytes(data)
    return path


def test_json_lists_every_place_form_and_chance(image: Path, tmp_path: Path) -> None:
    blank = tmp_path / "blank.bin"
    blank.write_bytes(b"\xff" * 2048)
    done = run_benchimage("find", VIN, blank, image, "--json")
    assert (done.returncode, done.stderr) == (0, "")
    matches = parse_document(done, "find")["matches"]
    keys = ("image", "start", "end", "stored_as", "part", "coding")
    assert [tuple(match[key] for key in keys) for match in matches] == [
        (str(image), 0x64, 0x75, "plain", "whole", "text"),
        (str(image), 0x12C, 0x13D, "inverted", "whole", "text"),
        (str(image), 0x1F4, 0x1F7, "plain", "last-6", "bcd"),
        (str(image), 0x258, 0x25A, "plain", "last-5", "integer"),
    ]
    chances = [match["expected_by_chance"] for match in matches]
    assert chances[0] < 1e-20
    assert chances[2] < 0.01 < chances[3]


def test_terminal_tells_place_form_and_odds(image: Path) -> None:
    done = run_benchimage("find", VIN, image)
    assert done.returncode == 0
    lines = done.stdout.splitlines()
    assert lines[0] == f"{image}: 3 matches, 1 more that may be coincidence."
    assert lines[1:4] == [
        "  0x0064-0x0074 (17 bytes)",
        "      the whole text, plain",
        "      coincidence: practically ruled out",
    ]
    assert "      its last 6 as BCD, plain" in lines
    assert lines.index("May be coincidence:") < lines.index("  0x0258-0x0259 (2 bytes)")
    assert max(map(len, lines[1:])) <= 80
    assert done.stderr.startswith("Next: ")


def test_addresses_count_from_the_base(image: Path) -> None:
    done = run_benchimage("find", VIN, image, "--base", "0x8000", "--json")
    assert parse_document(done, "find")["matches"][0]["start"] == 0x8064


def test_nothing_found_is_an_answer(tmp_path: Path) -> None:
    path = tmp_path / "blank\x1b[31m.bin"
    path.write_bytes(b"\xff" * 512)
    done = run_benchimage("find", VIN, path)
    assert (done.returncode, done.stderr) == (0, "")
    assert done.stdout.endswith("blank\\x1b[31m.bin: nothing found.\n")


@pytest.mark.parametrize("text", ["12", "0" * 17, "WP0ZZZ99ZTS39212\u00e9"])
def test_text_that_identifies_nothing_is_wrong_usage(text: str, image: Path) -> None:
    done = run_benchimage("find", text, image, "--json")
    document = parse_error(done.stdout)
    assert (done.returncode, document["code"]) == (2, "no-identity")


def test_an_image_in_place_of_the_text_is_wrong_usage(image: Path, tmp_path: Path) -> None:
    """Else the answer would be that one image does not hold another one's name."""
    other = tmp_path / "other.bin"
    other.write_bytes(image.read_bytes())
    done = run_benchimage("find", other, image)
    assert (done.returncode, done.stdout) == (2, "")
    assert "is a file, and what to look for comes first" in " ".join(done.stderr.split())
    assert f"benchimage find TEXT {other} {image}" in " ".join(done.stderr.split())


def test_missing_image_is_wrong_usage(tmp_path: Path) -> None:
    done = run_benchimage("find", VIN, tmp_path / "none.bin", "--json")
    assert (done.returncode, parse_error(done.stdout)["code"]) == (2, "no-such-file")


def parse_error(text: str) -> dict[str, object]:
    document: dict[str, object] = json.loads(text)
    assert document["schema"] == "benchimage.error/1"
    return document


@pytest.mark.parametrize(
    ("expected", "words"),
    [
        (42.4, "coincidence: 42 such matches expected"),
        (1.0, "coincidence: 1 such match expected"),
        (0.25, "coincidence: once in 4 such images"),
        (0.00062, "coincidence: once in 1,600 such images"),
        (2e-9, "coincidence: once in 500 million such images"),
        (1e-11, "coincidence: once in 100 thousand million such images"),
        (1e-30, "coincidence: practically ruled out"),
    ],
)
def test_odds_are_words(expected: float, words: str) -> None:
    assert describe_odds(expected) == words
