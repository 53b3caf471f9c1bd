"""What a page is made of, before it becomes HTML or PDF: headings, facts, tables, pictures.

The words are chosen once, in the modules that make these blocks; `memtool.render.page.html` and
`memtool.render.page.pdf` only set them. Texts are raw: each of the two escapes for its own kind.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from typing import TYPE_CHECKING, NamedTuple

from memtool.core.finding import Verdict
from memtool.core.report.photo import Picture
from memtool.render.values import verdict_words

if TYPE_CHECKING:
    from memtool.core.report.report import Outcome


class Look(StrEnum):
    """How a paragraph or cell looks."""

    PLAIN = "plain"
    SMALL = "small"
    STRONG = "strong"
    CODE = "code"
    """Hash values, bytes, addresses, commands: fixed width."""
    RESULT = "result"
    """The one sentence on top."""


class Cell(NamedTuple):
    """A piece of text in a table."""

    text: str
    look: Look = Look.PLAIN


def result_cell(result: Verdict) -> Cell:
    """The name of a result; anything but a pass stands out."""
    return Cell(verdict_words(result), Look.PLAIN if result is Verdict.PASS else Look.STRONG)


def code(text: str) -> Cell:
    """A cell of fixed width."""
    return Cell(text, Look.CODE)


@dataclass(frozen=True, slots=True)
class Heading:
    """Level 1 opens a page's part."""

    text: str
    level: int = 1
    on_new_page: bool = False


@dataclass(frozen=True, slots=True)
class Paragraph:
    """A few sentences."""

    text: str
    look: Look = Look.PLAIN


@dataclass(frozen=True, slots=True)
class Facts:
    """Label and value, one a row."""

    rows: Sequence[tuple[str, Cell]]


class Row(NamedTuple):
    """One row of a table."""

    cells: Sequence[Cell]
    note: str | None = None
    """A line of fixed width under the whole row."""


@dataclass(frozen=True, slots=True)
class Table:
    """Rows under a head."""

    head: Sequence[str]
    rows: Sequence[Row]
    widths: Sequence[int]
    """Shares of the width, one a column; 0: as narrow as its content."""


@dataclass(frozen=True, slots=True)
class Items:
    """A list of sentences."""

    texts: Sequence[str]
    look: Look = Look.PLAIN


@dataclass(frozen=True, slots=True)
class Figure:
    """A picture made here, with its caption."""

    svg: str
    caption: str


@dataclass(frozen=True, slots=True)
class Figures:
    """Pictures beside each other, as many as fit."""

    figures: Sequence[Figure]
    columns: int = 2


@dataclass(frozen=True, slots=True)
class Key:
    """What the signs of a picture mean."""

    pairs: Sequence[tuple[str, str]]
    """(swatch, words): a small picture made here, and what it means."""


@dataclass(frozen=True, slots=True)
class Photo:
    """An attached picture."""

    data: bytes = field(repr=False)
    picture: Picture
    caption: str


@dataclass(frozen=True, slots=True)
class Letterhead:
    """Whose page it is."""

    name: str
    address: Sequence[str]
    logo: Photo | None


@dataclass(frozen=True, slots=True)
class Result:
    """The outcome in a word that a copy in black and white shows, and in one sentence."""

    outcome: Outcome
    word: str
    text: str


@dataclass(frozen=True, slots=True)
class Signatures:
    """What is signed, and the lines to sign on; never apart from each other."""

    text: str
    labels: Sequence[str]


Block = Heading | Paragraph | Facts | Table | Items | Figures | Key | Photo | Result | Signatures


@dataclass(frozen=True, slots=True, kw_only=True)
class Document:
    """A whole page or file."""

    kind: str
    """A line above the title."""
    title: str
    subject: str
    """What it is about, for the window's title and the PDF's."""
    as_of: str
    """ISO 8601 with zone: the date of the facts."""
    foot: str
    """A line at the foot of each printed page."""
    blocks: Sequence[Block]
    letterhead: Letterhead | None = None
