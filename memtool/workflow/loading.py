"""From a path to an image: the file is read once, and its errors name it."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from memtool.core.finding import Finding
from memtool.core.image import Image
from memtool.errors import InputError
from memtool.formats.codec import ImageFormat, parse_image
from memtool.store.reading import read_file


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadOptions:
    """How a file is to be understood."""

    format: ImageFormat | None = None
    """None: told by content."""
    base: int = 0
    """Address of a raw file's first byte."""
    overlap_last: bool = False
    accept_missing_end: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class LoadedRead:
    """One file, read whole and understood."""

    path: str
    """As the user named it."""
    data: bytes
    """The file's own bytes; all digests are made from them, never from a second read."""
    file_sha256: str
    format: ImageFormat
    image: Image
    findings: tuple[Finding, ...]
    """What is safe but odd about the file."""
    options: ReadOptions = ReadOptions()
    """How it was asked to be understood; the same again gives the same image."""


def load_read(path: Path, options: ReadOptions | None = None) -> LoadedRead:
    """Read and parse one file.

    Raises:
        UsageError: there is no such file.
        ImageFormatError: it is not what it claims to be; names the file.
    """
    content = read_file(path)
    return parse_content(str(path), content.data, content.sha256, options or ReadOptions())


def parse_content(path: str, data: bytes, file_sha256: str, options: ReadOptions) -> LoadedRead:
    """Parse a file that was read already.

    Raises:
        ImageFormatError: it is not what it claims to be; names the file.
    """
    try:
        parsed = parse_image(
            data,
            format=options.format,
            base=options.base,
            overlap_last=options.overlap_last,
            accept_missing_end=options.accept_missing_end,
        )
    except InputError as error:
        error.file = path
        raise
    return LoadedRead(
        path=path,
        data=data,
        file_sha256=file_sha256,
        format=parsed.format,
        image=parsed.image,
        findings=parsed.findings,
        options=options,
    )
