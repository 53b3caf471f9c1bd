"""Blocks as an archival, tagged PDF (PDF/A-2a and PDF/UA-1): typst's one door.

typst is the extra ``[pdf]``. Texts go in as JSON data beside the template and are never
part of its source. The date is that of the facts, so that the same facts give the same
bytes. Latin, Greek and Cyrillic print with the fonts that come with typst, the same
everywhere. For other alphabets the fonts of the system are used; a character that none of
them has is printed as its number, U+0E01, and said: an archival PDF must not hold an empty
box.
"""

from __future__ import annotations

import base64
import json
import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from importlib.util import find_spec
from typing import Any

from memtool.core.report.report import Report
from memtool.lazy import typst
from memtool.render.page import picture
from memtool.render.page.blocks import (
    Block,
    Cell,
    Document,
    Facts,
    Figures,
    Heading,
    Items,
    Key,
    Letterhead,
    Paragraph,
    Photo,
    Result,
    Signatures,
    Table,
)
from memtool.render.page.html import Paper, read_template
from memtool.render.page.report_pages import describe_report
from memtool.render.words import safe_text

STANDARDS: list[typst.PDFStandard] = ["a-2a", "ua-1"]
_DATED = '#set document(title: "-", date: datetime(year: 2000, month: 1, day: 1))'
NO_TYPST = (
    "No PDF: it needs the extra, pip install 'benchimage[pdf]'; you can print the page instead."
)
_PAPERS = {Paper.A4: "a4", Paper.LETTER: "us-letter"}
_SURE = re.compile(
    "[\\n -~\u00a0-\u024f\u0370-\u0373\u0376\u0377\u037b-\u037f\u0384-\u038a\u038c\u038e-\u03a1"
    "\u03a3-\u03ff\u0400-\u045f\u2010-\u2015\u2018-\u201e\u2020-\u2022\u2026\u20ac]*"
)
"""What the bundled fonts have for certain (a test looks); anything else is tried."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RenderedPdf:
    """A PDF, or why there is none."""

    data: bytes | None
    reason: str | None
    """One sentence; None where there is a PDF."""
    notes: tuple[str, ...] = ()
    """What is not printed as it is, sentences."""


def is_available() -> bool:
    """Whether a PDF can be made here."""
    return find_spec("typst") is not None


def render_report_pdf(report: Report, *, paper: Paper = Paper.A4) -> RenderedPdf:
    """The customer file; the same report gives the same bytes."""
    return render_pdf(describe_report(report), paper=paper)


def render_pdf(document: Document, *, paper: Paper = Paper.A4) -> RenderedPdf:
    """Any document as a PDF; what cannot be drawn is left out and said."""
    if not is_available():
        return RenderedPdf(data=None, reason=NO_TYPST)
    files: dict[str, bytes] = {"main.typ": read_template("page.typ").encode("utf-8")}
    data = _document_value(document, paper, files)
    files["data.json"] = _dump(data)
    strange = sorted(set(_strange_in(data)))
    compiler = _Compiler(with_system_fonts=bool(strange))
    notes: list[str] = []
    if strange:
        missing = compiler.find_missing(strange)
        if missing:
            files["data.json"] = _dump(_without(data, missing))
            shown = ", ".join(_number(character) for character in missing[:8])
            more = f" and {len(missing) - 8} more" if len(missing) > 8 else ""
            notes.append(
                f"No font here has {shown}{more}: the PDF shows their numbers. Install a font for"
                " that script (for Chinese, Japanese and Korean one such as Noto Sans CJK) and"
                " write the report again."
            )
    try:
        return RenderedPdf(data=compiler.compile(files), reason=None, notes=tuple(notes))
    except RuntimeError as error:  # the base of all that typst raises
        unreadable = _pictures_that_fail(compiler, files)
        if not unreadable:
            return RenderedPdf(data=None, reason=f"No PDF: {error}.")
    blocks = [_instead(block, unreadable) for block in document.blocks]
    head = document.letterhead
    if head is not None and head.logo is not None and _photo_file(head.logo) in unreadable:
        head = replace(head, logo=None)
    again = render_pdf(replace(document, blocks=blocks, letterhead=head), paper=paper)
    note = f"{len(unreadable)} attached picture(s) could not be drawn in the PDF."
    return replace(again, notes=(*again.notes, note))


class _Compiler:
    """Compiles with one set of fonts, which are looked up once."""

    def __init__(self, *, with_system_fonts: bool) -> None:
        self._fonts = typst.Fonts(include_system_fonts=with_system_fonts)

    def compile(self, files: dict[str, bytes]) -> bytes:
        # The library's types do not know that a dict of files is taken, too.
        source: Any = files
        compiler = typst.Compiler(source, font_paths=self._fonts)
        data = compiler.compile(format="pdf", pdf_standards=STANDARDS)
        assert isinstance(data, bytes)
        return data

    def find_missing(self, characters: list[str]) -> list[str]:
        """Those that no font has, found by halves."""
        if not characters or self._prints(characters):
            return []
        if len(characters) == 1:
            return characters
        half = len(characters) // 2
        return self.find_missing(characters[:half]) + self.find_missing(characters[half:])

    def draws(self, name: str, data: bytes) -> bool:
        """Whether a picture can be decoded."""
        return self._succeeds(f'#image("{name}", alt: "-")', {name: data})

    def _prints(self, characters: list[str]) -> bool:
        source = (
            '#set text(font: ("Libertinus Serif", "DejaVu Sans Mono"))\n'
            '#for line in json("data.json") [#line #parbreak()]'
        )
        return self._succeeds(source, {"data.json": _dump(characters)})

    def _succeeds(self, source: str, files: dict[str, bytes]) -> bool:
        try:
            self.compile({"main.typ": f"{_DATED}\n{source}".encode(), **files})
        except typst.TypstError:
            return False
        return True


def _dump(value: Any) -> bytes:
    return json.dumps(value, ensure_ascii=False).encode("utf-8", "replace")


def _document_value(document: Document, paper: Paper, files: dict[str, bytes]) -> dict[str, Any]:
    """The document as data for the template; pictures become files beside it."""
    return {
        "paper": _PAPERS[paper],
        "date": [int(part) for part in re.findall(r"\d+", document.as_of)[:6]],
        "kind": _text(document.kind),
        "title": _text(document.title),
        "subject": _text(document.subject),
        "foot": _text(document.foot),
        "letterhead": _letterhead_value(document.letterhead, files),
        "blocks": [_block_value(block, files) for block in document.blocks],
    }


def _block_value(block: Block, files: dict[str, bytes]) -> dict[str, Any]:
    match block:
        case Heading():
            value: dict[str, Any] = {
                "level": block.level,
                "text": _text(block.text),
                "new-page": block.on_new_page,
            }
        case Paragraph():
            value = _cell(Cell(block.text, block.look))
        case Facts():
            value = {"rows": [[_text(label), _cell(cell)] for label, cell in block.rows]}
        case Table():
            value = {
                "head": [_text(name) for name in block.head],
                "widths": list(block.widths),
                "rows": [
                    {
                        "cells": [_cell(cell) for cell in row.cells],
                        "note": _text(row.note) if row.note else None,
                    }
                    for row in block.rows
                ],
            }
        case Items():
            value = {"texts": [_text(text) for text in block.texts], "look": block.look.value}
        case Figures():
            value = {"columns": block.columns, "figures": []}
            for figure in block.figures:
                name = f"picture-{len(files)}.svg"
                files[name] = figure.svg.encode("utf-8")
                words = _text(picture.describe(figure.svg))
                value["figures"].append(
                    {"file": name, "alt": words, "caption": _text(figure.caption)}
                )
        case Key():
            value = {"pairs": []}
            for swatch, words in block.pairs:
                name = f"swatch-{len(files)}.svg"
                files[name] = swatch.encode("utf-8")
                value["pairs"].append([name, _text(words)])
        case Photo():
            value = _photo_value(block, files)
        case Signatures():
            labels = [_text(label) for label in block.labels]
            value = {"text": _text(block.text), "labels": labels}
        case Result():
            value = {
                "outcome": block.outcome.value,
                "word": _text(block.word),
                "text": _text(block.text),
            }
    return {"block": type(block).__name__, **value}


def _photo_value(photo: Photo, files: dict[str, bytes]) -> dict[str, str]:
    name = f"photo-{len(files)}.svg"
    files[name] = _photo_file(photo)
    return {"file": name, "caption": _text(photo.caption)}


def _letterhead_value(head: Letterhead | None, files: dict[str, bytes]) -> dict[str, Any] | None:
    if head is None:
        return None
    return {
        "name": _text(head.name),
        "address": [_text(line) for line in head.address],
        "logo": None if head.logo is None else _photo_value(head.logo, files),
    }


_TURNED = {
    1: "1 0 0 1 0 0",
    2: "-1 0 0 1 {w} 0",
    3: "-1 0 0 -1 {w} {h}",
    4: "1 0 0 -1 0 {h}",
    5: "0 1 1 0 0 0",
    6: "0 1 -1 0 {h} 0",
    7: "0 -1 -1 0 {h} {w}",
    8: "0 -1 1 0 0 {w}",
}
"""Exif orientation as an SVG matrix; from 5 on width and height change places."""


def _photo_file(photo: Photo) -> bytes:
    """The picture inside an SVG, since typst takes files from memory as text alone."""
    found = photo.picture
    width, height = found.width, found.height
    shown = (height, width) if found.orientation >= 5 else (width, height)
    matrix = _TURNED[found.orientation].format(w=width, h=height)
    content = base64.b64encode(photo.data).decode("ascii")
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {shown[0]} {shown[1]}">'
        f'<image width="{width}" height="{height}" transform="matrix({matrix})"'
        f' href="data:{found.media_type};base64,{content}"/></svg>'
    ).encode("ascii")


def _cell(cell: Cell) -> dict[str, str]:
    return {"text": _text(cell.text), "look": cell.look.value}


def _text(text: str) -> str:
    return safe_text(text)


def _strange_in(value: Any) -> Iterator[str]:
    """Characters that the bundled fonts may not have."""
    for text in _texts_in(value):
        if not _SURE.fullmatch(text):
            yield from (character for character in text if not _SURE.fullmatch(character))


def _texts_in(value: Any) -> Iterator[str]:
    if isinstance(value, str):
        yield value
    elif isinstance(value, dict):
        for item in value.values():
            yield from _texts_in(item)
    elif isinstance(value, list):
        for item in value:
            yield from _texts_in(item)


def _without(value: Any, missing: Iterable[str]) -> Any:
    """The same data with characters as their numbers."""
    table = {ord(character): f"[{_number(character)}]" for character in missing}

    def changed(item: Any) -> Any:
        if isinstance(item, str):
            return item.translate(table)
        if isinstance(item, dict):
            return {key: changed(part) for key, part in item.items()}
        return [changed(part) for part in item] if isinstance(item, list) else item

    return changed(value)


def _number(character: str) -> str:
    return f"U+{ord(character):04X}"


def _pictures_that_fail(compiler: _Compiler, files: dict[str, bytes]) -> set[bytes]:
    """The attached pictures that cannot be decoded, though they begin like pictures."""
    return {
        data
        for name, data in files.items()
        if name.startswith("photo-") and not compiler.draws(name, data)
    }


def _instead(block: Block, unreadable: set[bytes]) -> Block:
    if isinstance(block, Photo) and _photo_file(block) in unreadable:
        return Paragraph(f"{block.caption} (the picture cannot be drawn)")
    return block
