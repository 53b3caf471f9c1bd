"""The page that a command was asked for with ``--html``."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from memtool.core.image import Image
from memtool.errors import RefusalError
from memtool.render.late import byte_page
from memtool.workflow.late import inspect_view
from memtool.workflow.loading import LoadedRead
from memtool.workflow.writing import NewFile

if TYPE_CHECKING:
    from memtool.render.text.inspect_view import ReadFacts


def read_facts(read: LoadedRead) -> ReadFacts:
    """What a view shows of a loaded file."""
    return inspect_view.ReadFacts(
        path=read.path,
        format=read.format.value,
        file_sha256=read.file_sha256,
        image=read.image,
        findings=read.findings,
    )


def require_fits(path: Path | None, images: Sequence[Image]) -> None:
    """Refuse images that make a page too large to open, before they are looked at.

    Args:
        path: None: no page is wanted.
        images: Whose bytes the page would hold.

    Raises:
        RefusalError: they are too large together.
    """
    if path is None:
        return
    size = byte_page.total_size(images)
    if size > byte_page.LARGEST:
        raise RefusalError(
            f"{size:,} bytes are too many for a page, which holds {byte_page.LARGEST:,}",
            code="page-too-large",
            next_step="cut the span out with 'benchimage convert --span', or leave --html out",
        )


def page_file(path: Path, text: str) -> NewFile:
    """The page as a file to be written."""
    return NewFile(path=path, data=text.encode("utf-8"))
