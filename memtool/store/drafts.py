"""Drafted layouts as TOML, with the evidence as comments; the one door to tomlkit.

A guess's comments stand inside its table, so that they go where the table goes:

    [[region]]
    # likely
    # In all 3 modules here lies a text, another in each: a serial number perhaps.
    name = "serial or date text at 0x0010"

A review takes tables out, changes their values, and sets ``reviewed = true``; everything
else of the file, comments included, stays as it was.
"""

from __future__ import annotations

import textwrap
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from memtool.core.drafting import ChecksumGuess, Draft, RegionGuess
from memtool.core.layouts.layout import ModuleKind
from memtool.core.layouts.region import BlankSource, Region
from memtool.core.span import Span, format_address

if TYPE_CHECKING:
    import tomlkit
    from tomlkit.items import AoT, Table

_WIDTH = 92
TABLES = ("region", "checksum")


@dataclass(frozen=True, slots=True, kw_only=True)
class DraftHeader:
    """What a draft cannot tell from images."""

    name: str
    chip: str
    module: ModuleKind
    parts: tuple[str, ...] = ()
    """Part numbers as they are printed, no patterns."""
    drawn_from: tuple[str, ...] = ()
    """What the images are called, for a comment."""
    date: str = ""


def write_draft_text(draft: Draft, header: DraftHeader) -> str:
    """The layout file of a draft, not reviewed."""
    import tomlkit  # late: most commands write no layout

    document = tomlkit.document()
    for line in _opening(draft, header):
        document.add(tomlkit.comment(line))
    layout = tomlkit.table()
    layout.add("name", header.name)
    layout.add("chip", header.chip)
    layout.add("base", _number(draft.span.start))
    layout.add("size", len(draft.span))
    layout.add("erased", _number(draft.erased, digits=2))
    layout.add("module", header.module.value)
    if header.parts:
        layout.add("parts", [_as_pattern(part) for part in header.parts])
    layout.add("reviewed", False)
    document.add("layout", layout)
    if draft.regions:
        document.add("region", _tables([_region_table(guess) for guess in draft.regions]))
    if draft.checksums:
        document.add("checksum", _tables([_checksum_table(guess) for guess in draft.checksums]))
    return tomlkit.dumps(document)


@dataclass(frozen=True, slots=True, kw_only=True)
class GuessText:
    """One table of a layout file as a person is asked about it."""

    table: str
    """``region`` or ``checksum``."""
    name: str
    comments: tuple[str, ...]
    """Its comment lines; the first one is the confidence."""
    values: Mapping[str, Any]
    """Keys of the table."""


def read_guess_texts(text: str) -> tuple[GuessText, ...]:
    """Every region and checksum of a valid layout file, in its order."""
    import tomlkit

    document = tomlkit.parse(text)
    return tuple(
        GuessText(
            table=table,
            name=str(item["name"]),
            comments=_comments_of(item),
            values=item.unwrap(),
        )
        for table in TABLES
        for item in document.get(table, [])
    )


def edit_layout_text(
    text: str,
    *,
    remove: Sequence[str] = (),
    change: Mapping[str, Mapping[str, Any]] | None = None,
    reviewed: str | None = None,
) -> str:
    """A valid layout file with tables taken out and values changed.

    Args:
        text: The file.
        remove: Names of regions and checksums that go. Copies of a region that goes lose
            their `copy_of`.
        change: Name of a region or checksum: keys with new values; None takes a key out.
            A new name is carried over to the copies.
        reviewed: Who reviewed it and when; sets ``reviewed = true``.
    """
    import tomlkit

    document = tomlkit.parse(text)
    changes = dict(change or {})
    renamed = {name: new["name"] for name, new in changes.items() if new.get("name") is not None}
    for table in TABLES:
        items: AoT | list[Any] = document.get(table, [])
        for place in reversed(range(len(items))):
            item = items[place]
            name = str(item["name"])
            if name in remove:
                del items[place]
                continue
            source = item.get("copy_of")
            if source in remove:
                item.remove("copy_of")
            elif source in renamed:
                item["copy_of"] = renamed[source]
            _change(item, changes.get(name, {}))
        if table in document and not len(items):
            document.remove(table)
    if reviewed is not None:
        _mark_reviewed(document, reviewed)
    return tomlkit.dumps(document)


def _mark_reviewed(document: tomlkit.TOMLDocument, words: str) -> None:
    import tomlkit

    layout: Any = document["layout"]
    value = tomlkit.boolean("true")
    if "reviewed" in layout:
        layout.remove("reviewed")
    layout.add("reviewed", value)
    layout["reviewed"] = value
    value.comment(words)


def _change(item: Any, values: Mapping[str, Any]) -> None:
    for key, value in values.items():
        if value is None:
            if key in item:
                item.remove(key)
        else:
            item[key] = value


def _comments_of(table: Any) -> tuple[str, ...]:
    from tomlkit.items import Comment

    body = table.value.body
    lines = [
        item.as_string().strip().lstrip("#").strip()
        for _, item in body
        if isinstance(item, Comment)
    ]
    return tuple(line for line in lines if line)


def _opening(draft: Draft, header: DraftHeader) -> list[str]:
    """What stands above everything."""
    drawn = ", ".join(header.drawn_from)
    lines = [f"Drafted {header.date} from {drawn}." if header.date else f"Drafted from {drawn}."]
    lines.append(
        "Every region is a guess until a person has reviewed it: benchimage layout review."
    )
    lines += draft.notes
    if draft.unknown:
        spans = ", ".join(_span_text(span) for span in draft.unknown)
        lines.append(f"Of these bytes nothing is known: {spans}.")
    return [part for line in lines for part in textwrap.wrap(_one_line(line), _WIDTH)]


def _tables(tables: Sequence[Table]) -> AoT:
    import tomlkit

    array = tomlkit.aot()
    for table in tables:
        array.append(table)
    return array


def _region_table(guess: RegionGuess) -> Table:
    region = guess.region
    table = _table_with_comments([guess.confidence.value, *guess.evidence])
    table.add("name", region.name)
    table.add("span", _span_text(region.span))
    table.add("kind", region.kind.value)
    if region.type is not None:
        table.add("type", region.type.value)
    if region.stored_as != "plain":
        table.add("stored_as", region.stored_as)
    if region.copy_of is not None:
        table.add("copy_of", region.copy_of)
    if region.blank_to is not None:
        table.add("blank_to", blank_value(region))
    return table


def _checksum_table(guess: ChecksumGuess) -> Table:
    rule = guess.rule
    table = _table_with_comments([guess.confidence.value, *guess.evidence])
    table.add("name", rule.name)
    table.add("algorithm", rule.algorithm)
    table.add("covers", [_covers_text(span) for span in rule.covers])
    table.add("stored", _span_text(rule.stored))
    if len(rule.stored) > 1:
        table.add("byte_order", rule.byte_order)
    if rule.total is not None:
        table.add("total", rule.total)
    table.add("when_blanked", rule.when_blanked.value)
    return table


def _table_with_comments(lines: Sequence[str]) -> Table:
    import tomlkit

    table = tomlkit.table()
    for line in lines:
        for part in textwrap.wrap(_one_line(line), _WIDTH):
            table.add(tomlkit.comment(part))
    return table


def blank_value(region: Region) -> Any:
    """A region's `blank_to` as the file has it: a word, a byte or a pattern; None without one."""
    blank = region.blank_to
    if blank is None or isinstance(blank, BlankSource):
        return None if blank is None else blank.value
    return _number(blank[0], digits=2) if len(blank) == 1 else blank.hex(" ").upper()


def _number(value: int, digits: int = 4) -> Any:
    """A number that stays hexadecimal in the file."""
    from tomlkit.items import Integer, Trivia

    return Integer(value, Trivia(), f"0x{value:0{digits}X}")


def _span_text(span: Span) -> str:
    return f"{format_address(span.start)}+{len(span)}"


def _covers_text(span: Span) -> str:
    return f"{format_address(span.start)}-{format_address(span.end - 1)}"


def _one_line(text: str) -> str:
    """Without control characters, which a comment cannot hold; file names may have them."""
    return "".join(sign if sign.isprintable() else "?" for sign in text)


def _as_pattern(part: str) -> str:
    """A part number that stands for itself, were it to hold signs that patterns know."""
    return "".join(f"[{sign}]" if sign in "*?[" else sign for sign in part)
