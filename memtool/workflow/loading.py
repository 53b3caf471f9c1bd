"""From a path to an image: the file is read once, and its errors name it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import NamedTuple

from memtool.core.finding import Finding
from memtool.core.health.same_file import ReadFile, find_same_file
from memtool.core.image import Image
from memtool.core.read_options import ImageFormat, ReadOptions
from memtool.errors import InputError
from memtool.formats.codec import parse_as
from memtool.store.reading import read_file
from memtool.workflow.late import reader_order, vin_search


class LoadedRead(NamedTuple):
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
    options: ReadOptions
    """How it was asked to be understood; the same again gives the same image."""
    modified: int | None = None
    """When the file was changed last, in nanoseconds since 1970; None: not known."""


def load_read(path: Path, options: ReadOptions | None = None) -> LoadedRead:
    """Read and parse one file.

    Raises:
        UsageError: there is no such file.
        ImageFormatError: it is not what it claims to be; names the file.
    """
    content = read_file(path)
    file = ReadFile(path=str(path), device=content.device, inode=content.inode)
    loaded = parse_content(
        str(path), content.data, content.sha256, options or ReadOptions(), file=file
    )
    return loaded._replace(modified=content.modified)


def parse_content(
    path: str,
    data: bytes,
    file_sha256: str,
    options: ReadOptions,
    *,
    file: ReadFile | None = None,
) -> LoadedRead:
    """Parse a file that was read already; without `file` its path alone says which it is.

    Args:
        path: As the user named it.
        data: The whole file.
        file_sha256: Of `data`: also the image's digest, where the file holds nothing else.
        options: How it is to be understood.
        file: Which file it is.

    Raises:
        ImageFormatError: it is not what it claims to be; names the file.
    """
    try:
        parsed = parse_as(data, options)
    except InputError as error:
        error.file = path
        raise
    # A large file was hashed when it was read.
    parsed.image.know_digest(data, file_sha256)
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


def in_order(read: LoadedRead, order: str) -> LoadedRead:
    """The same file, understood as written in that order; as it was where it does not fit."""
    if read.options.order == order or not reader_order.fits(read.image, order):
        return read
    options = replace(read.options, order=order)
    turned = parse_content(read.path, read.data, read.file_sha256, options, file=read.file)
    return turned._replace(modified=read.modified)


def as_in_file(read: LoadedRead) -> Image:
    """The image as its bytes lie in the file."""
    return reader_order.turn(read.image, read.options.order)


def require_few_vins(reads: Sequence[LoadedRead]) -> None:
    """Before a memory is kept or judged.

    Raises:
        InputError: one holds more VINs than a module's memory; names the file.
    """
    for read in reads:
        try:
            vin_search.find_vins(read.image)
        except InputError as error:
            error.file = read.path
            raise


def find_repeated(reads: Sequence[LoadedRead]) -> tuple[Finding, ...]:
    """A finding for every two of `reads` that are one and the same file."""
    return find_same_file([read.file for read in reads])
