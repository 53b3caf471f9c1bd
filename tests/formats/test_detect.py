"""A file is told by its content: images are read, everything else is named and refused.

Sources: each sample is made by the standard library's own writer, or is the start that the
format's published specification gives (named beside it).
"""

from __future__ import annotations

import bz2
import gzip
import io
import lzma
import random
import struct
import sys
import tarfile
import zipfile
from pathlib import Path

import pytest

from memtool.core.image import Image
from memtool.errors import ImageFormatError
from memtool.formats.codec import ImageFormat, parse_image
from tests.formats.hex_lines import END, ihex, srec, text


def zip_file() -> bytes:
    target = io.BytesIO()
    with zipfile.ZipFile(target, "w") as archive:
        archive.writestr("read.bin", bytes(64))
    return target.getvalue()


def tar_file() -> bytes:
    target = io.BytesIO()
    with tarfile.open(fileobj=target, mode="w") as archive:
        member = tarfile.TarInfo("read.bin")
        member.size = 64
        archive.addfile(member, io.BytesIO(bytes(64)))
    return target.getvalue()


def bmp_file() -> bytes:
    # BITMAPFILEHEADER and BITMAPINFOHEADER, one pixel of 24 bits.
    info = struct.pack("<IiiHHIIiiII", 40, 1, 1, 1, 24, 0, 4, 2835, 2835, 0, 0)
    return struct.pack("<2sIHHI", b"BM", 58, 0, 0, 54) + info + bytes(4)


def pe_file() -> bytes:
    # e_lfanew at 0x3C points to the PE signature (PE format, "MS-DOS Stub").
    head = bytearray(b"MZ" + bytes(0x80))
    struct.pack_into("<I", head, 0x3C, 0x80)
    return bytes(head[:0x80]) + b"PE\0\0" + bytes(64)


FOREIGN = {
    "ZIP": zip_file(),
    "gzip": gzip.compress(bytes(64)),
    "bzip2": bz2.compress(bytes(64)),
    "empty bzip2": bz2.compress(b""),
    "xz": lzma.compress(bytes(64)),
    "tar": tar_file(),
    "7z": b"7z\xbc\xaf\x27\x1c\x00\x04" + bytes(64),  # 7zFormat.txt, SignatureHeader
    "RAR": b"Rar!\x1a\x07\x01\x00" + bytes(64),  # RAR 5.0 archive format, signature
    "PDF": b"%PDF-1.7\n%\xe2\xe3\xcf\xd3\n",  # ISO 32000-1, 7.5.2
    "PNG": b"\x89PNG\r\n\x1a\n\x00\x00\x00\rIHDR" + bytes(17),  # PNG specification, 5.2
    "JPEG": b"\xff\xd8\xff\xe0\x00\x10JFIF\x00" + bytes(64),  # JFIF 1.02
    "JPEG, bare": b"\xff\xd8\xff\xdb\x00\x06\x00\x01\x02\x03\xff\xc0" + bytes(64),  # T.81
    "GIF": b"GIF89a\x01\x00\x01\x00\x00\x00\x00",  # GIF89a specification, 17
    "BMP": bmp_file(),
    "TIFF": b"II*\x00\x08\x00\x00\x00" + bytes(64),  # TIFF 6.0, section 2
    "PE": pe_file(),
    "ELF": b"\x7fELF\x02\x01\x01" + bytes(57),  # System V ABI, ELF header
    "SQLite": b"SQLite format 3\x00" + bytes(84),  # SQLite database file format, 1.3
    "RIFF": b"RIFF\x24\x00\x00\x00WAVEfmt " + bytes(32),
    "MP4": b"\x00\x00\x00\x18ftypisom" + bytes(32),  # ISO/IEC 14496-12, 4.3
    "hex digits": b"00112233445566778899AABBCCDDEEFF\n" * 4,
    "hex digits in one line": b"00112233445566778899AABBCCDDEEFF",
    "hex pairs": b"00 11 22 33 44 55 66 77 88 99 AA BB CC DD EE FF\r\n" * 4,
    "hex dump": b"00000000  30 31 32 33 34 35 36 37  38 39 61 62 63 64 65 66  |0123456789abcdef|\n"
    * 3,
    "source text": b"const char image[] = {\n" + b"  0x01, 0x02, 0x03, 0x04, 0x05,\n" * 8 + b"};\n",
    "document": b"Dear customer,\nthe module was read twice.\nBoth reads are the same.\nRegards\n",
    "document in UTF-8": "Größe geprüft.\nÜbertragung gut.\nZweimal gelesen über Nacht.\n".encode(),
    "page": b"<!DOCTYPE html>\n<html>\n<head><title>Reads</title></head>\n<body></body>\n</html>\n",
}


# Select Graphic Rendition, ECMA-48, 8.3.117: green, reset.
GREEN, RESET = b"\x1b[38;5;34m", b"\x1b[0m"
RECORDS = text(*[ihex(0, 16 * number, bytes(range(16))) for number in range(40)], END)
COLOURED = {
    "records, each line": b"".join(GREEN + line + RESET + b"\n" for line in RECORDS.splitlines()),
    "records, each mark": RECORDS.replace(b":", GREEN + b":" + RESET),
    "records, one colour for all": GREEN + RECORDS + RESET,
    "records behind the mark": RECORDS.replace(b":", b":" + GREEN).replace(b"\n", RESET + b"\n"),
    "S-records": b"".join(GREEN + srec(1, 0, b"\x01").encode() + RESET + b"\n" for _ in range(9)),
    "hex dump": (b"00000000: " + b"".join(GREEN + b"4f " + RESET for _ in range(16)) + b"\n") * 9,
    "document in UTF-8": GREEN + "Größe geprüft.\nÜbertragung gut.\n".encode() * 3 + RESET,
}


@pytest.mark.parametrize("case", COLOURED)
def test_text_with_terminal_colours_is_named_and_refused(case: str) -> None:
    with pytest.raises(ImageFormatError) as caught:
        parse_image(COLOURED[case])
    assert (caught.value.code, caught.value.line) == ("coloured-text", 1)
    assert "without colours" in (caught.value.next_step or "")


@pytest.mark.parametrize("case", COLOURED)
def test_text_with_terminal_colours_is_refused_by_its_named_format_too(case: str) -> None:
    for format in (ImageFormat.INTEL_HEX, ImageFormat.S_RECORD):
        with pytest.raises(ImageFormatError):
            parse_image(COLOURED[case], format=format)


@pytest.mark.parametrize("case", FOREIGN)
def test_file_that_is_something_else_is_named_and_refused(case: str) -> None:
    with pytest.raises(ImageFormatError) as caught:
        parse_image(FOREIGN[case])
    error = caught.value
    assert error.code in ("foreign-file", "hex-text", "text-file")
    assert error.message.startswith("the file is ")
    assert "--format raw" in (error.next_step or "")
    assert error.fault_count == 1
    assert error.faults[0].expected == "a memory image"


@pytest.mark.parametrize("case", FOREIGN)
def test_named_format_raw_reads_it_anyway(case: str) -> None:
    parsed = parse_image(FOREIGN[case], format=ImageFormat.RAW, base=0x100)
    assert parsed.image == Image.from_bytes(FOREIGN[case], base=0x100)


def test_the_interpreter_that_runs_this_is_a_program_not_an_image() -> None:
    with pytest.raises(ImageFormatError, match="program"):
        parse_image(Path(sys.executable).resolve().read_bytes()[: 1 << 20])


MEMORY = {
    "erased": b"\xff" * 2048,
    "zero": bytes(2048),
    "spaces": b" " * 2048,
    "one letter": b"A" * 256,
    "text of a part number": b"DZ-4100-C",
    "one VIN": b"1M8GDM9AXKP042788",
    "a colon": b":",
    "BM and other bytes": b"BM" + bytes(range(1, 200)),
    "MZ and other bytes": b"MZ" + bytes(range(1, 200)),
    "MZ and a pointer past the end": b"MZ" + b"\xee" * 200,
    "gzip's two bytes": b"\x1f\x8b\xff" + bytes(200),
    "gzip's three bytes, odd flags": b"\x1f\x8b\x08\xff" + bytes(200),
    "JPEG's three bytes in erased memory": b"\xff\xd8\xff\xff" * 16,
    "JPEG's three bytes, then zeros": b"\xff\xd8\xff\xe4" + bytes(100),
    "TIFF's mark, directory past the end": b"II*\x00\xff\xff\xff\x7f" + bytes(100),
    "BZh": b"BZh9" + bytes(100),
    "RIFF alone": b"RIFF" + bytes(100),
    "escape sequences in binary": (GREEN + bytes(range(256))) * 4,
    "escape sequences in erased memory": b"\x1b[0m" + b"\xff" * 200,
    "records inside binary": bytes(range(256)) * 4 + b"\n" + text(ihex(0, 0, b"\x01"), END),
}


@pytest.mark.parametrize("case", MEMORY)
def test_memory_may_begin_with_any_bytes(case: str) -> None:
    parsed = parse_image(MEMORY[case])
    assert parsed.format is ImageFormat.RAW
    assert parsed.image == Image.from_bytes(MEMORY[case])
    assert parsed.findings == ()


def test_random_memories_are_read_as_raw() -> None:
    rng = random.Random(20240611)
    for _ in range(2000):
        data = rng.randbytes(rng.choice([16, 128, 512]))
        assert parse_image(data).format is ImageFormat.RAW


@pytest.mark.parametrize(
    "data",
    [
        text(ihex(0, 0, b"\x01"), END) + bytes(4096),
        text("", "  ", ihex(0, 0, b"\x01"), END),
        text("; comment", ihex(0, 0, b"\x01"), END),
        text(srec(1, 0, b"\x01"), srec(9, 0)) + b"\xff" * 4096,
        text("header text", srec(1, 0, b"\x01"), srec(9, 0)),
        text(ihex(0, 0, b"\x01"))[:9],
        text(srec(1, 0, b"\x01"))[:7],
        text(ihex(0, 0, b"\x01"), END).decode().encode("utf-16-le"),
        text(ihex(0, 0, b"\x01"), END).decode().encode("utf-16-be"),
    ],
)
def test_damaged_hex_file_never_becomes_a_raw_image(data: bytes) -> None:
    with pytest.raises(ImageFormatError):
        parse_image(data)


def test_empty_file_is_refused_even_as_raw() -> None:
    for format in (None, *ImageFormat):
        with pytest.raises(ImageFormatError) as caught:
            parse_image(b"", format=format)
        assert caught.value.code == "empty-file"


def test_raw_of_64_mib_is_read_and_one_byte_more_refused() -> None:
    size = 64 * 1024 * 1024
    assert parse_image(bytes(size)).image.size == size
    with pytest.raises(ImageFormatError) as caught:
        parse_image(bytes(size + 1))
    assert caught.value.code == "too-large"


def test_hex_text_of_more_than_256_mib_is_refused_before_it_is_read() -> None:
    data = text(ihex(0, 0, b"\x01")) + bytes(256 * 1024 * 1024)
    with pytest.raises(ImageFormatError) as caught:
        parse_image(data)
    assert caught.value.code == "too-large"
