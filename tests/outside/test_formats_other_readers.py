"""What we write, others read; what others write, we read: intelhex, bincopy, objcopy.

Sources: intelhex 2.3.0 and bincopy 20.1.1 from the package index, objcopy of GNU binutils.
They are references for good files only: each accepts some malformed ones.
"""

from __future__ import annotations

import io
import random
import subprocess
from pathlib import Path

import bincopy
import intelhex
import pytest

from memtool.core.finding import Severity
from memtool.core.image import Image
from memtool.formats.codec import ImageFormat, encode_image, parse_image
from tests.needs import require

RNG = random.Random(88)
IMAGES = {
    "2 KiB at 0": Image.from_bytes(RNG.randbytes(2048)),
    "one byte": Image.from_bytes(b"\x5a"),
    "across 64 KiB": Image.from_bytes(RNG.randbytes(5000), base=0xF000),
    "ends at 64 KiB": Image.from_bytes(RNG.randbytes(0x100), base=0xFF00),
    "ends at 16 MiB": Image.from_bytes(RNG.randbytes(0x100), base=0xFFFF00),
    "across 16 MiB": Image.from_bytes(RNG.randbytes(0x200), base=0xFFFF00),
    "with gaps": Image.from_pieces(
        [(0, RNG.randbytes(33)), (0x8001, RNG.randbytes(100)), (0x10001000, RNG.randbytes(7))]
    ),
    "up to 4 GiB": Image.from_bytes(RNG.randbytes(256), base=0xFFFFFF00),
    "many records": Image.from_bytes(RNG.randbytes(70000)),
}
LENGTHS = [1, 16, 32, 250]


def pieces_of(image: Image) -> list[tuple[int, bytes]]:
    return [(segment.start, segment.data) for segment in image.segments]


@pytest.mark.parametrize("case", IMAGES)
def test_intelhex_reads_what_we_write(case: str) -> None:
    for length in LENGTHS if case != "many records" else [16]:
        written = encode_image(IMAGES[case], ImageFormat.INTEL_HEX, record_length=length)
        reader = intelhex.IntelHex()
        reader.loadhex(io.StringIO(written.decode("ascii")))
        found = [
            (start, bytes(reader.tobinarray(start=start, end=end - 1)))
            for start, end in reader.segments()
        ]
        assert found == pieces_of(IMAGES[case])


@pytest.mark.parametrize("case", IMAGES)
def test_bincopy_reads_what_we_write(case: str) -> None:
    for length in LENGTHS if case != "many records" else [16]:
        for format in (ImageFormat.INTEL_HEX, ImageFormat.S_RECORD):
            written = encode_image(IMAGES[case], format, record_length=length).decode("ascii")
            reader = bincopy.BinFile()
            if format is ImageFormat.INTEL_HEX:
                reader.add_ihex(written)
            else:
                reader.add_srec(written)
            found = [(item.address, bytes(item.data)) for item in reader.segments]
            assert found == pieces_of(IMAGES[case])


@pytest.mark.parametrize("case", IMAGES)
def test_bincopy_writes_what_we_read(case: str) -> None:
    writer = bincopy.BinFile()
    for start, data in pieces_of(IMAGES[case]):
        writer.add_binary(data, address=start)
    assert parse_image(writer.as_ihex().encode()).image == IMAGES[case]
    # Without a start address that library writes no end record.
    writer.execution_start_address = 0
    assert parse_image(writer.as_srec(16, 32).encode()).image == IMAGES[case]


def test_bincopy_segmented_intel_hex_is_read() -> None:
    image = Image.from_bytes(RNG.randbytes(0x3000), base=0xF000)
    writer = bincopy.BinFile()
    writer.add_binary(image.segments[0].data, address=0xF000)
    data = writer.as_ihex(address_length_bits=24).encode()
    assert b":02000002" in data
    assert parse_image(data).image == image


@pytest.mark.parametrize("case", [case for case in IMAGES if case != "with gaps"])
def test_intelhex_writes_what_we_read(case: str) -> None:
    writer = intelhex.IntelHex()
    for start, data in pieces_of(IMAGES[case]):
        writer.frombytes(data, offset=start)
    target = io.StringIO()
    writer.write_hex_file(target)
    assert parse_image(target.getvalue().encode()).image == IMAGES[case]


def objcopy(source: Path, target: Path, *options: str) -> None:
    subprocess.run(
        [require("objcopy"), *options, str(source), str(target)],
        check=True,
        capture_output=True,
        timeout=60,
    )


@pytest.mark.parametrize("format", [ImageFormat.INTEL_HEX, ImageFormat.S_RECORD])
@pytest.mark.parametrize("case", [case for case in IMAGES if case != "with gaps"])
def test_objcopy_reads_what_we_write(case: str, format: ImageFormat, tmp_path: Path) -> None:
    image = IMAGES[case]
    source, target = tmp_path / "image.txt", tmp_path / "image.bin"
    source.write_bytes(encode_image(image, format))
    name = "ihex" if format is ImageFormat.INTEL_HEX else "srec"
    objcopy(source, target, "-I", name, "-O", "binary")
    assert target.read_bytes() == image.segments[0].data


@pytest.mark.parametrize("name", ["ihex", "srec"])
@pytest.mark.parametrize("case", [case for case in IMAGES if case != "with gaps"])
def test_objcopy_writes_what_we_read(case: str, name: str, tmp_path: Path) -> None:
    image = IMAGES[case]
    source, target = tmp_path / "image.bin", tmp_path / "image.txt"
    source.write_bytes(image.segments[0].data)
    start = image.segments[0].start
    objcopy(source, target, "-I", "binary", "-O", name, "--change-addresses", hex(start))
    parsed = parse_image(target.read_bytes())
    assert parsed.image == image
    assert parsed.image.sha256() == image.sha256()
    assert parsed.findings == ()


@pytest.mark.parametrize("size", [(1 << 20) - 1, 1 << 20, (1 << 20) + 1, 5 << 20])
def test_objcopy_writes_what_we_read_past_1_mib(size: int, tmp_path: Path) -> None:
    # Up to 1 MiB it writes type 02 records, then a type 02 of zero, then type 04.
    source, target = tmp_path / "image.bin", tmp_path / "image.txt"
    source.write_bytes(random.Random(size).randbytes(size))
    objcopy(source, target, "-I", "binary", "-O", "ihex")
    parsed = parse_image(target.read_bytes())
    assert parsed.image == Image.from_bytes(source.read_bytes())
    notes = [(item.code, item.severity) for item in parsed.findings]
    assert notes == ([("mixed-addressing", Severity.INFO)] if size > 1 << 20 else [])


@pytest.mark.parametrize("name", ["ihex", "srec"])
def test_objcopy_keeps_gaps_as_we_do(name: str, tmp_path: Path) -> None:
    source, target = tmp_path / "image.hex", tmp_path / "image.txt"
    source.write_bytes(encode_image(IMAGES["with gaps"], ImageFormat.INTEL_HEX))
    objcopy(source, target, "-I", "ihex", "-O", name)
    assert parse_image(target.read_bytes()).image == IMAGES["with gaps"]
