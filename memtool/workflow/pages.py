"""Write a page that a command was asked for with ``--html``."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from memtool.core.image import Image
from memtool.errors import RefusalError
from memtool.render.byte_page import LARGEST, total_size
from memtool.render.inspect_view import ReadFacts
from memtool.store.writing import write_new
from memtool.workflow.loading import LoadedRead


def read_facts(read: LoadedRead) -> ReadFacts:
    """What a view shows of a loaded file."""
    return ReadFacts(
        path=read.path,
        format=read.format.value,
        file_sha256=read.file_sha256,
        image=read.image,
        findings=read.findings,
    )


def require_free(path: Path | None) -> None:
    """Refuse a page's path that exists, before anything else is done.

    Raises:
        RefusalError: it exists.
    """
    if path is not None and (path.exists() or path.is_symlink()):
        raise RefusalError(
            "the output exists already",
            code="output-exists",
            next_step="choose another name",
            file=str(path),
        )


def require_fits(path: Path | None, images: Sequence[Image]) -> None:
    """Refuse images that make a page too large to open, before they are looked at.

    Args:
        path: None: no page is wanted.
        images: Whose bytes the page would hold.

    Raises:
        RefusalError: they are too large together.
    """
    size = total_size(images)
    if path is not None and size > LARGEST:
        raise RefusalError(
            f"{size:,} bytes are too many for a page, which holds {LARGEST:,}",
            code="page-too-large",
            next_step="cut the span out with 'benchimage convert --span', or leave --html out",
        )


def write_page(path: Path, text: str) -> str:
    """Write a page and return its SHA-256.

    Raises:
        RefusalError: the path exists.
        StoreError: not written.
    """
    return write_new(path, text.encode("utf-8"))
