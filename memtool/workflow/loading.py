"""From a path to an image: the file is read once, and its errors name it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from memtool.core.finding import Finding
from memtool.core.image import Image
from memtool.core.reads.agreement import ReadFile, find_same_file
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
    file: ReadFile
    """Which file it is; one file given twice is not two reads."""
    options: ReadOptions = ReadOptions()
    """How it was asked to be understood; the same again gives the same image."""


def load_read(path: Path, options: ReadOptions | None = None) -> LoadedRead:
    """Read and parse one file.

    Raises:
        UsageError: there is no such file.
        ImageFormatError: it is not what it claims to be; names the file.
    """
    content = read_file(path)
    file = ReadFile(path=str(path), device=content.device, inode=content.inode)
    return parse_content(
        str(path), content.data, content.sha256, options or ReadOptions(), file=file
    )


def parse_content(
    path: str,
    data: bytes,
    file_sha256: str,
    options: ReadOptions,
    *,
    file: ReadFile | None = None,
) -> LoadedRead:
    """Parse a file that was read already; without `file` its path alone says which it is.

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
        file=file or ReadFile(path=path, device=0, inode=0),
    )


def find_repeated(reads: Sequence[LoadedRead]) -> tuple[Finding, ...]:
    """A finding for every two of `reads` that are one and the same file."""
    return find_same_file([read.file for read in reads])
