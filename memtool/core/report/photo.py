"""What an attached file is, told by its own first bytes and never by its name.

Only two kinds are shown in a report: PNG and JPEG. Their headers are walked as far as the
size in pixels, so that a file which only begins like a picture, or which is far too large to
draw, is listed and not shown.

Sources: PNG (ISO/IEC 15948), sections 5.2 and 11.2.2; JPEG (ITU-T T.81), annex B; Exif
(CIPA DC-008), tag 274, orientation; the directory before it is TIFF 6.0, section 2.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass
from typing import Literal

LARGEST_FILE = 12 * 1024 * 1024
"""Bytes of one picture that is still embedded."""
MOST_PIXELS = 80_000_000
_PNG = b"\x89PNG\r\n\x1a\n"
_ORIENTATION_TAG = 274
_JPEG_FRAMES = frozenset({0xC0, 0xC1, 0xC2})
"""Baseline, extended and progressive, as viewers draw them."""
_JPEG_ALONE = frozenset({0x01, *range(0xD0, 0xD8)})
"""Markers without a length."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Picture:
    """A file that can be shown."""

    media_type: str
    """``image/png`` or ``image/jpeg``."""
    width: int
    height: int
    """As stored, before it is turned."""
    orientation: int = 1
    """1 to 8, how the camera was held: 1 upright, 6 to be turned right, 8 to be turned left."""


def check_picture(data: bytes) -> Picture | str:
    """The picture that `data` is, or why it is not shown, a clause without full stop."""
    if len(data) > LARGEST_FILE:
        return f"larger than {LARGEST_FILE // 1024 // 1024} MiB"
    if data.startswith(_PNG):
        found = _png(data)
    elif data.startswith(b"\xff\xd8\xff"):
        found = _jpeg(data)
    else:
        return "not a PNG or JPEG picture"
    if found is None:
        return "begins like a picture, but is not one"
    if found.width * found.height > MOST_PIXELS:
        return f"{found.width} x {found.height} pixels are too many to draw"
    return found


def _png(data: bytes) -> Picture | None:
    if len(data) < 45 or data[8:16] != b"\x00\x00\x00\rIHDR" or b"IDAT" not in data:
        return None
    width, height = struct.unpack(">II", data[16:24])
    if not width or not height:
        return None
    return Picture(media_type="image/png", width=width, height=height)


def _jpeg(data: bytes) -> Picture | None:
    """Walk the segments up to the frame header, which holds the size."""
    place, orientation = 2, 1
    while place + 4 <= len(data):
        if data[place] != 0xFF:
            return None
        marker = data[place + 1]
        if marker == 0xFF:
            place += 1
            continue
        if marker in _JPEG_ALONE:
            place += 2
            continue
        length = int.from_bytes(data[place + 2 : place + 4], "big")
        if marker in _JPEG_FRAMES:
            height, width = struct.unpack(">HH", data[place + 5 : place + 9].ljust(4, b"\0"))
            if not width or not height or b"\xff\xd9" not in data[place:]:
                return None
            return Picture(
                media_type="image/jpeg", width=width, height=height, orientation=orientation
            )
        if length < 2 or marker == 0xDA:
            return None
        if marker == 0xE1:
            orientation = _orientation(data[place + 4 : place + 2 + length])
        place += 2 + length
    return None


def _orientation(segment: bytes) -> int:
    """Of an Exif segment; 1 where it does not say."""
    tiff = segment[6:]
    order: Literal["little", "big"] = "little" if tiff[:2] == b"II" else "big"
    if segment[:6] != b"Exif\0\0" or len(tiff) < 8:
        return 1
    directory = int.from_bytes(tiff[4:8], order)
    count = int.from_bytes(tiff[directory : directory + 2], order)
    for number in range(min(count, 64)):
        entry = tiff[directory + 2 + 12 * number :][:12]
        if len(entry) == 12 and int.from_bytes(entry[:2], order) == _ORIENTATION_TAG:
            value = int.from_bytes(entry[8:10], order)
            return value if 1 <= value <= 8 else 1
    return 1
