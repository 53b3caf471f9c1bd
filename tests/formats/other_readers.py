"""What intelhex, bincopy and GNU objcopy make of a hex file, told as segments of bytes."""

from __future__ import annotations

import contextlib
import io
import subprocess
from pathlib import Path

import bincopy
import intelhex

from memtool.core.image import Image
from memtool.errors import ImageFormatError
from memtool.formats.codec import ImageFormat, parse_image

Content = list[tuple[int, bytes]]
"""Segments by address."""


def read_ours(data: bytes, format: ImageFormat) -> Content | None:
    """None: refused."""
    try:
        return pieces_of(parse_image(data, format=format).image)
    except ImageFormatError:
        return None


def pieces_of(image: Image) -> Content:
    """Segments, as the other readers tell them."""
    return [(segment.start, segment.data) for segment in image.segments]


def read_intelhex(data: bytes) -> Content | None:
    """None: refused."""
    reader = intelhex.IntelHex()
    try:
        reader.loadhex(io.StringIO(data.decode("latin-1")))
    except intelhex.HexReaderError:
        return None
    return [
        (start, bytes(reader.tobinarray(start=start, end=end - 1)))
        for start, end in reader.segments()
    ]


def read_bincopy(data: bytes, format: ImageFormat) -> Content | None:
    """None: refused; bare ValueErrors count as that."""
    reader = bincopy.BinFile()
    try:
        if format is ImageFormat.INTEL_HEX:
            reader.add_ihex(data.decode("latin-1"))
        else:
            reader.add_srec(data.decode("latin-1"))
    except (bincopy.Error, ValueError, IndexError):
        return None
    return [(item.address, bytes(item.data)) for item in reader.segments if item.data]


def read_objcopy(data: bytes, format: ImageFormat, folder: Path) -> Content | None:
    """None: refused. The content is taken out of the sections, one file each."""
    source = folder / "source.txt"
    source.write_bytes(data)
    name = "ihex" if format is ImageFormat.INTEL_HEX else "srec"
    listed = _run("objdump", "-h", "-b", name, str(source))
    if listed is None:
        return None
    memory: dict[int, int] = {}
    for line in listed.splitlines():
        words = line.split()
        if len(words) < 7 or not words[0].isdigit():
            continue
        section, size, address = words[1], int(words[2], 16), int(words[4], 16)
        target = folder / "section.bin"
        with contextlib.suppress(FileNotFoundError):
            target.unlink()
        if size:
            options = ("-I", name, "-O", "binary", "-j", section)
            if _run("objcopy", *options, str(source), str(target)) is None:
                return None
            # Sections come in the order of the file: where they overlap the last one wins.
            memory.update(enumerate(target.read_bytes(), address))
    return pieces_of(
        Image.from_pieces((address, bytes([byte])) for address, byte in memory.items())
    )


def _run(*command: str) -> str | None:
    done = subprocess.run(command, capture_output=True, text=True, timeout=60, check=False)
    return done.stdout if done.returncode == 0 else None
