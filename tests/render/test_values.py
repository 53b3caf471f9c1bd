"""One fact is worded one way, wherever it is seen."""

from __future__ import annotations

import hashlib
from pathlib import Path

import pytest

from tests.command_line import run_benchimage

LAYOUT = """
[layout]
name = "invented"
chip = "24C02"
base = 0
size = 256
erased = 0xFF
module = "body"
reviewed = true

[[region]]
name = "mileage limit"
span = "0x0010+2"
kind = "configuration"
type = "u16be"

[[region]]
name = "flags"
span = "0x0012+1"
kind = "configuration"
type = "bits"
[region.bits]
"child lock" = "0"

[[region]]
name = "key data"
span = "0x0080+4"
kind = "protected"

[[checksum]]
name = "block sum"
algorithm = "SUM-16"
covers = ["0x0000-0x001F"]
stored = "0x0020+2"
byte_order = "big"
when_blanked = "refresh"
"""


def image(number: int, flags: int) -> bytes:
    """A block whose sum is counted here, as SUM-16 is defined: bytes added in 16 bits."""
    data = bytearray(b"\xff" * 256)
    data[0x10:0x12] = number.to_bytes(2, "big")
    data[0x12] = flags
    data[0x20:0x22] = (sum(data[:0x20]) & 0xFFFF).to_bytes(2, "big")
    return bytes(data)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "layout.toml").write_text(LAYOUT, encoding="utf-8")
    (tmp_path / "a.bin").write_bytes(image(60312, 0xFF))
    (tmp_path / "b.bin").write_bytes(image(1, 0xFE))
    return tmp_path


def seen(folder: Path, *arguments: str) -> str:
    """What a command says, blanks and line ends as one blank."""
    done = run_benchimage(*arguments, cwd=folder)
    return " ".join(done.stdout.split())


def test_a_field_reads_the_same_in_every_view(folder: Path) -> None:
    layout = ("--layout", "layout.toml")
    views = [
        seen(folder, "inspect", "a.bin", *layout),
        seen(folder, "compare", "a.bin", "b.bin", *layout),
        seen(folder, "layout", "show", "layout.toml", "--image", "a.bin"),
    ]
    run_benchimage("inspect", "a.bin", *layout, "--html", "inspect.html", cwd=folder)
    run_benchimage("compare", "a.bin", "b.bin", *layout, "--html", "compare.html", cwd=folder)
    views += [(folder / name).read_text("utf-8") for name in ("inspect.html", "compare.html")]
    for view in views:
        assert "60312 (0xEB98)" in view
        assert "child lock 1" in view
    for view in (views[0], views[2], views[3]):
        assert "protected: not shown" in view


def test_a_checksum_reads_the_same_in_every_view(folder: Path) -> None:
    stored = image(60312, 0xFF)[0x20:0x22].hex(" ").upper()
    layout = ("--layout", "layout.toml")
    shown = f"{stored}: pass"
    assert shown in seen(folder, "inspect", "a.bin", *layout)
    assert shown in seen(folder, "layout", "show", "layout.toml", "--image", "a.bin")
    assert f"{stored} {stored} pass" in seen(folder, "checksum", "check", "a.bin", *layout)
    run_benchimage("inspect", "a.bin", *layout, "--html", "inspect.html", cwd=folder)
    page = (folder / "inspect.html").read_text("utf-8")
    assert stored in page
    assert ">pass<" in page.replace("\n", "")


def test_reads_and_digests_are_worded_the_same_in_a_job(folder: Path) -> None:
    """On the start page, at the terminal and in the report."""
    (folder / "a2.bin").write_bytes(image(60312, 0xFF))
    store = ("--store", "store")
    order = ("--vehicle-vin", "1M8GDM9AXKP042788", "--module-kind", "body", "--authority", "seen")
    reads = ("--donor", "a.bin", "--donor", "a2.bin", "--chip", "24C02")
    why = ("--original-unreadable", "burnt", "--work-order", "1", "--reseated")
    page = folder / "start.html"
    start = ("start", "--job", "job", *reads, *order, *why, *store)
    started = seen(folder, *start, "--layout", "layout.toml", "--html", "start.html")
    reported = run_benchimage("report", "--no-pdf", *store, cwd=folder / "job")
    assert reported.returncode == 0, reported.stderr
    report = (folder / "job" / "reports" / "report-1.html").read_text("utf-8")
    for view in (started, page.read_text("utf-8"), report):
        assert "2 identical reads" in view
        assert "2 reads agree" not in view
    sha256 = hashlib.sha256(image(60312, 0xFF)).hexdigest()
    grouped = " ".join(sha256[at : at + 16] for at in range(0, 64, 16))
    assert grouped in seen(folder, "inspect", "a.bin")
    assert grouped in report
