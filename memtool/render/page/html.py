"""Blocks as one self-contained page: no script, no network, nothing unescaped.

Jinja2's one door. Autoescape is on, an unknown name is an error, and the page's own
Content-Security-Policy allows its one style sheet by hash, pictures that are part of the
page, and nothing else.
"""

from __future__ import annotations

import base64
import hashlib
from enum import StrEnum
from importlib import resources

from memtool.core.report.report import Report
from memtool.lazy import jinja2
from memtool.render.page.blocks import Document, Photo
from memtool.render.page.report_pages import describe_report
from memtool.render.words import safe_text


class Paper(StrEnum):
    """The sheet a page is printed on."""

    A4 = "a4"
    LETTER = "letter"


def render_report_page(report: Report, *, paper: Paper = Paper.A4) -> str:
    """The customer file; the same report gives the same text."""
    return render_page(describe_report(report), paper=paper)


def render_page(document: Document, *, paper: Paper = Paper.A4) -> str:
    """Any document as a page."""
    style = f"{read_template('page.css')}@page {{ size: {paper}; }}\n"
    return (
        make_environment()
        .get_template("page.html.j2")
        .render(
            document=document,
            style=Own(style),
            style_hash=Own(hash_source(style)),
            kind_of=lambda block: type(block).__name__,
            own=Own,
            beside=zip,
            photo_source=_photo_source,
        )
    )


def make_environment() -> jinja2.Environment:
    """Templates of this folder, with every text escaped twice over: controls, then HTML."""
    return jinja2.Environment(
        loader=jinja2.FunctionLoader(read_template),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        finalize=_safe,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
    )


def _safe(value: object) -> object:
    if isinstance(value, str) and not isinstance(value, Own):
        return safe_text(value)
    return value


class Own(str):
    """Text of our own that goes into the page as it is."""

    __slots__ = ()

    def __html__(self) -> str:
        return str(self)


def hash_source(text: str) -> str:
    """The hash by which a Content-Security-Policy allows a style sheet or a script."""
    digest = hashlib.sha256(text.encode("utf-8")).digest()
    return f"'sha256-{base64.b64encode(digest).decode('ascii')}'"


def read_template(name: str) -> str:
    """A file of the folder `templates`."""
    return resources.files("memtool.render.page").joinpath("templates", name).read_text("utf-8")


def _photo_source(photo: Photo) -> Own:
    return Own(
        f"data:{photo.picture.media_type};base64,{base64.b64encode(photo.data).decode('ascii')}"
    )
