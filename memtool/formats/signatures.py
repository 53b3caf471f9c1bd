"""Files that are no memory image, told by their first bytes.

A memory may begin with any bytes, so a signature counts only where it is long enough, or
where the structure behind it fits: two bytes by chance are common, six are not.

Source: the formats' own published specifications; shared-mime-info's database says the same.
"""

from __future__ import annotations

import re
from collections.abc import Callable

_PLAIN: tuple[tuple[int, bytes, str], ...] = (
    (0, b"PK\x03\x04", "a ZIP archive"),
    (0, b"PK\x05\x06\x00\x00\x00\x00", "an empty ZIP archive"),
    (0, b"PK\x07\x08PK", "a part of a ZIP archive"),
    (0, b"7z\xbc\xaf\x27\x1c", "a 7z archive"),
    (0, b"Rar!\x1a\x07", "a RAR archive"),
    (0, b"\xfd7zXZ\x00", "an xz archive"),
    (0, b"\x28\xb5\x2f\xfd", "a Zstandard archive"),
    (0, b"\x04\x22\x4d\x18", "an LZ4 archive"),
    (0, b"MSCF\x00\x00\x00\x00", "a cabinet archive"),
    (0, b"!<arch>\n", "an object library"),
    (257, b"ustar\x00", "a tar archive"),
    (257, b"ustar  \x00", "a tar archive"),
    (0, b"%PDF-", "a PDF document"),
    (0, b"{\\rtf1", "an RTF document"),
    (0, b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1", "an office document"),
    (0, b"SQLite format 3\x00", "an SQLite database"),
    (0, b"\x89PNG\r\n\x1a\n", "a PNG picture"),
    (0, b"GIF87a", "a GIF picture"),
    (0, b"GIF89a", "a GIF picture"),
    (0, b"\xff\xd8\xff\xe0", "a JPEG picture"),
    (0, b"\xff\xd8\xff\xe1", "a JPEG picture"),
    (0, b"\x7fELF", "an ELF program file"),
    (0, b"\x00asm\x01\x00\x00\x00", "a WebAssembly program"),
    (0, b"OggS\x00\x02", "an Ogg sound file"),
    (0, b"fLaC\x00\x00\x00", "a FLAC sound file"),
)
"""Offset, bytes, what it is."""

_DIB_HEADERS = {12, 16, 40, 52, 56, 64, 108, 124}
"""Sizes of the bitmap headers that have existed."""
_MACH_O = {b"\xfe\xed\xfa\xce", b"\xfe\xed\xfa\xcf", b"\xce\xfa\xed\xfe", b"\xcf\xfa\xed\xfe"}
_BZIP2 = re.compile(rb"BZh[1-9](1AY&SY|\x17rE8P\x90)")


def find_foreign_kind(data: bytes) -> str | None:
    """What the file is by its signature, for example ``a ZIP archive``; None if unknown."""
    for offset, magic, name in _PLAIN:
        if data[offset : offset + len(magic)] == magic:
            return name
    for fits, name in _STRUCTURED:
        if fits(data):
            return name
    return None


def _little(data: bytes, offset: int, width: int) -> int:
    return int.from_bytes(data[offset : offset + width], "little")


def _is_gzip(data: bytes) -> bool:
    # Method 8 is the only one; flag bits 5 to 7 are reserved; the last byte names a system.
    return data[:3] == b"\x1f\x8b\x08" and len(data) >= 18 and data[3] < 0x20


def _is_bzip2(data: bytes) -> bool:
    return _BZIP2.match(data) is not None


def _is_bmp(data: bytes) -> bool:
    if data[:2] != b"BM" or len(data) < 26 or any(data[6:10]):
        return False
    pixels = _little(data, 10, 4)
    size_fits = _little(data, 2, 4) == len(data)
    header_fits = _little(data, 14, 4) in _DIB_HEADERS and 26 <= pixels < 4096
    return header_fits or (size_fits and pixels < len(data))


def _is_windows_program(data: bytes) -> bool:
    if data[:2] != b"MZ" or len(data) < 64:
        return False
    header = _little(data, 0x3C, 4)
    return data[header : header + 4] == b"PE\x00\x00" or (
        header >= 64 and data[header : header + 2] in (b"NE", b"LE", b"LX")
    )


def _is_dos_program(data: bytes) -> bool:
    return data[:2] == b"MZ" and b"This program " in data[:512]


def _is_jpeg(data: bytes) -> bool:
    # Another first segment than JFIF or Exif: its length leads to the next marker.
    if data[:3] != b"\xff\xd8\xff" or len(data) < 12 or data[3] not in (*range(0xE2, 0xF0), 0xDB):
        return False
    following = 4 + int.from_bytes(data[4:6], "big")
    return following > 6 and data[following : following + 1] == b"\xff"


def _is_tiff(data: bytes) -> bool:
    if data[:4] not in (b"II*\x00", b"MM\x00*"):
        return False
    order = "little" if data[:2] == b"II" else "big"
    directory = int.from_bytes(data[4:8], "little" if order == "little" else "big")
    return 8 <= directory < len(data) and directory % 2 == 0


def _is_riff(data: bytes) -> bool:
    return data[:4] == b"RIFF" and data[8:12] in (b"WAVE", b"AVI ", b"WEBP")


def _is_mp4(data: bytes) -> bool:
    size = int.from_bytes(data[:4], "big")
    return data[4:8] == b"ftyp" and 16 <= size <= 1024 and data[8:12].isascii()


def _is_mach_o(data: bytes) -> bool:
    if data[:4] not in _MACH_O or len(data) < 28:
        return False
    order = "big" if data[0] == 0xFE else "little"
    kind = int.from_bytes(data[12:16], "big" if order == "big" else "little")
    return 1 <= kind <= 15


def _is_java_class(data: bytes) -> bool:
    return data[:4] == b"\xca\xfe\xba\xbe" and 45 <= int.from_bytes(data[4:8], "big") <= 100


def _is_mp3(data: bytes) -> bool:
    return data[:3] == b"ID3" and data[3:4] in (b"\x02", b"\x03", b"\x04") and data[4:5] == b"\x00"


_STRUCTURED: tuple[tuple[Callable[[bytes], bool], str], ...] = (
    (_is_gzip, "a gzip archive"),
    (_is_bzip2, "a bzip2 archive"),
    (_is_bmp, "a BMP picture"),
    (_is_jpeg, "a JPEG picture"),
    (_is_tiff, "a TIFF picture"),
    (_is_windows_program, "a Windows program"),
    (_is_dos_program, "a DOS program"),
    (_is_mach_o, "a Mach-O program file"),
    (_is_java_class, "a Java class file"),
    (_is_riff, "a sound, video or picture file (RIFF)"),
    (_is_mp4, "an MP4 video"),
    (_is_mp3, "an MP3 sound file"),
)
