"""Writes records by the formats' definitions, for tests. Shares no code with the program."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

END = ":00000001FF"


def ihex(kind: int, offset: int, data: bytes = b"", *, checksum: int | None = None) -> str:
    """One Intel HEX record: two's complement of the byte sum at the end."""
    body = [len(data), offset >> 8, offset & 0xFF, kind, *data]
    total = (-sum(body)) % 256 if checksum is None else checksum
    return ":" + "".join(f"{byte:02X}" for byte in [*body, total])


def srec(kind: int, address: int, data: bytes = b"", *, checksum: int | None = None) -> str:
    """One S-record: one's complement of the low byte of the sum at the end."""
    width = {0: 2, 1: 2, 2: 3, 3: 4, 5: 2, 6: 3, 7: 4, 8: 3, 9: 2}[kind]
    places = [(address >> 8 * place) & 0xFF for place in reversed(range(width))]
    body = [width + len(data) + 1, *places, *data]
    total = 255 - sum(body) % 256 if checksum is None else checksum
    return f"S{kind}" + "".join(f"{byte:02X}" for byte in [*body, total])


def text(*lines: str, end: str = "\n") -> bytes:
    """A file of these lines."""
    return "".join(f"{line}{end}" for line in lines).encode("utf-8")


def ihex_file(pieces: Iterable[tuple[int, bytes]], *, length: int = 16) -> bytes:
    """A file with a type 04 record before every data record that needs one."""
    lines: list[str] = []
    upper = 0
    for address, data in split(pieces, length):
        if address >> 16 != upper:
            upper = address >> 16
            lines.append(ihex(4, 0, upper.to_bytes(2, "big")))
        lines.append(ihex(0, address & 0xFFFF, data))
    return text(*lines, END)


def srec_file(pieces: Iterable[tuple[int, bytes]], *, kind: int = 3, length: int = 16) -> bytes:
    """A file with header, data records of `kind`, count and end."""
    lines = [srec(kind, address, data) for address, data in split(pieces, length)]
    return text(srec(0, 0, b"HDR"), *lines, srec(5, len(lines)), srec(10 - kind, 0))


def split(pieces: Iterable[tuple[int, bytes]], length: int) -> Sequence[tuple[int, bytes]]:
    """The pieces in parts of at most `length` bytes that cross no multiple of 64 KiB."""
    parts = []
    for start, data in pieces:
        place = 0
        while place < len(data):
            room = min(length, 0x10000 - (start + place) % 0x10000)
            parts.append((start + place, data[place : place + room]))
            place += room
    return parts
