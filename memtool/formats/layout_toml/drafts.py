"""Drafted layouts as TOML, with the evidence as comments; the one door to tomlkit.

A guess's comments stand inside its table, so that they go where the table goes:

    [[region]]
    # likely
    # Each module holds a different text here, perhaps a serial number.
    name = "serial or date text at 0x0010"

A review takes tables out, changes their values, and sets ``reviewed = true``; everything
else of the file, comments included, stays as it was.
"""

from __future__ import annotations

import textwrap
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from memtool.core.drafting.draft import ChecksumGuess, Draft, RegionGuess
from memtool.core.layouts.layout import ModuleKind
from memtool.core.layouts.region import BlankSource, Region
from memtool.core.span import Span, format_address
from memtool.core.words import count_of
from memtool.formats.layout_toml.records_writing import write_records_text
from memtool.lazy import tomlkit, tomlkit_items

COMMENT_WIDTH = 92
_UNKNOWN_TOLD = 100
"""Runs of unknown bytes that the file's head lists: between texts there are thousands."""
TABLES = ("region", "checksum", "records")


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
    document = tomlkit.document()
    for line in _opening(draft, header):
        document.add(tomlkit.comment(line))
    layout = tomlkit.table()
    layout.add("name", header.name)
    layout.add("chip", header.chip)
    layout.add("base", hex_number(draft.span.start))
    layout.add("size", len(draft.span))
    layout.add("erased", hex_number(draft.erased, digits=2))
    layout.add("module", header.module.value)
    if header.parts:
        layout.add("parts", [_as_pattern(part) for part in header.parts])
    layout.add("reviewed", False)
    document.add("layout", layout)
    if draft.regions:
        document.add("region", _tables([_region_table(guess) for guess in draft.regions]))
    if draft.checksums:
        document.add("checksum", _tables([_checksum_table(guess) for guess in draft.checksums]))
    text = tomlkit.dumps(document)
    for records in draft.records:
        lines = [
            part
            for line in (records.confidence.value, *records.evidence)
            for part in textwrap.wrap(one_line(line), COMMENT_WIDTH)
        ]
        text += "\n" + write_records_text(records.rules, lines)
    return text


@dataclass(frozen=True, slots=True, kw_only=True)
class GuessText:
    """One table of a layout file as a person is asked about it."""

    table: str
    """``region``, ``checksum`` or ``records``."""
    name: str
    comments: tuple[str, ...]
    """Its comment lines; the first one is the confidence."""
    values: Mapping[str, Any]
    """Keys of the table."""


def read_guess_texts(text: str) -> tuple[GuessText, ...]:
    """Every region, checksum and store of a valid layout file, in its order."""
    document = tomlkit.parse(text)
    found = []
    for table in TABLES:
        for item in document.get(table, []):
            found.append(_guess_of(table, item))
            if table == "records":
                # A region that bears evidence of its own is a question of its own.
                regions = (_guess_of("region", each) for each in item.get("region", []))
                found += [region for region in regions if region.comments]
    return tuple(found)


def _guess_of(table: str, item: Any) -> GuessText:
    return GuessText(
        table=table, name=str(item["name"]), comments=_comments_of(item), values=item.unwrap()
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
    document = tomlkit.parse(text)
    changes = dict(change or {})
    renamed = {name: new["name"] for name, new in changes.items() if new.get("name") is not None}
    for table in TABLES:
        _edit_tables(document, table, remove, changes, renamed)
    for store in document.get("records", []):
        _edit_tables(store, "region", remove, changes, renamed)
    if reviewed is not None:
        _mark_reviewed(document, reviewed)
    return tomlkit.dumps(document)


def _edit_tables(
    holder: Any,
    table: str,
    remove: Sequence[str],
    changes: Mapping[str, Mapping[str, Any]],
    renamed: Mapping[str, Any],
) -> None:
    items: Any = holder.get(table, [])
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
    if table in holder and not len(items):
        holder.remove(table)


def _mark_reviewed(document: tomlkit.TOMLDocument, words: str) -> None:
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
    body = getattr(table.value, "body", ())
    lines = [
        item.as_string().strip().lstrip("#").strip()
        for _, item in body
        if isinstance(item, tomlkit_items.Comment)
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
        spans = ", ".join(span_text(span) for span in draft.unknown[:_UNKNOWN_TOLD])
        rest = len(draft.unknown) - _UNKNOWN_TOLD
        more = f" and {count_of(rest, 'more run')}" if rest > 0 else ""
        lines.append(f"Of these bytes nothing is known: {spans}{more}.")
    return [part for line in lines for part in textwrap.wrap(one_line(line), COMMENT_WIDTH)]


def _tables(tables: Sequence[tomlkit_items.Table]) -> tomlkit_items.AoT:
    array = tomlkit.aot()
    for table in tables:
        array.append(table)
    return array


def _region_table(guess: RegionGuess) -> tomlkit_items.Table:
    region = guess.region
    table = table_with_comments([guess.confidence.value, *guess.evidence])
    table.add("name", region.name)
    table.add("span", span_text(region.span))
    add_content(table, region)
    return table


def add_content(table: tomlkit_items.Table, region: Region) -> None:
    """What a region is, behind its name and its place."""
    table.add("kind", region.kind.value)
    if region.type is not None:
        table.add("type", region.type.value)
    if region.stored_as != "plain":
        table.add("stored_as", region.stored_as)
    if region.copy_of is not None:
        table.add("copy_of", region.copy_of)
    if region.blank_to is not None:
        table.add("blank_to", blank_value(region))


def _checksum_table(guess: ChecksumGuess) -> tomlkit_items.Table:
    rule = guess.rule
    table = table_with_comments([guess.confidence.value, *guess.evidence])
    table.add("name", rule.name)
    table.add("algorithm", rule.algorithm)
    table.add("covers", [_covers_text(span) for span in rule.covers])
    table.add("stored", span_text(rule.stored))
    if len(rule.stored) > 1:
        table.add("byte_order", rule.byte_order)
    if rule.total is not None:
        table.add("total", rule.total)
    table.add("when_blanked", rule.when_blanked.value)
    return table


def table_with_comments(lines: Sequence[str]) -> tomlkit_items.Table:
    """A table that begins with comments."""
    table = tomlkit.table()
    for line in lines:
        for part in textwrap.wrap(one_line(line), COMMENT_WIDTH):
            table.add(tomlkit.comment(part))
    return table


def blank_value(region: Region) -> Any:
    """A region's `blank_to` as the file has it: a word, a byte or a pattern; None without one."""
    blank = region.blank_to
    if blank is None or isinstance(blank, BlankSource):
        return None if blank is None else blank.value
    return hex_number(blank[0], digits=2) if len(blank) == 1 else blank.hex(" ").upper()


def hex_number(value: int, digits: int = 4) -> Any:
    """A number that stays hexadecimal in the file."""
    return tomlkit_items.Integer(value, tomlkit_items.Trivia(), f"0x{value:0{digits}X}")


def span_text(span: Span) -> str:
    """A span of addresses as the file has it."""
    return f"{format_address(span.start)}+{len(span)}"


def _covers_text(span: Span) -> str:
    return f"{format_address(span.start)}-{format_address(span.end - 1)}"


def one_line(text: str) -> str:
    """Without control characters, which a comment cannot hold; file names may have them."""
    return "".join(sign if sign.isprintable() else "?" for sign in text)


def _as_pattern(part: str) -> str:
    """A part number that stands for itself, were it to hold signs that patterns know."""
    return "".join(f"[{sign}]" if sign in "*?[" else sign for sign in part)
