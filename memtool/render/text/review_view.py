"""One guess as a screen: where, all images one above the other, evidence, what yes would do.

Bytes of a protected region are not shown, only where they differ.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

from memtool.core.checksums.checksum import ChecksumRule, WhenBlanked, check_checksum
from memtool.core.image import Image
from memtool.core.layouts.fields import decode_field
from memtool.core.layouts.layout import Layout
from memtool.core.layouts.record_rules import RecordRegion, RecordRules, format_key
from memtool.core.layouts.region import BlankSource, FieldType, Region, RegionKind
from memtool.core.records.values import read_values
from memtool.core.span import (
    Span,
    format_address,
    format_span,
    format_span_with_length,
    intersect_spans,
)
from memtool.core.words import listed
from memtool.render.page.layout_map import blank_words
from memtool.render.text import terminal
from memtool.render.text.next_steps import NextStep, quoted
from memtool.render.values import (
    NOT_SHOWN,
    checksum_words,
    field_words,
    name_words,
    short_bytes_words,
)
from memtool.render.words import safe_text

_ROW = 16
_LABEL = 12
_BLANKED = {
    BlankSource.ERASED: "the erased value",
    BlankSource.REFERENCE: "those of the reference image",
}
"""What the bytes of a blanked region become, in a sentence."""


@dataclass(frozen=True, slots=True, kw_only=True)
class NamedImage:
    """An image with what it is called."""

    name: str
    image: Image


def render_guess(
    layout: Layout,
    name: str,
    comments: Sequence[str],
    images: Sequence[NamedImage],
    *,
    place: int,
    total: int,
    height: int = 24,
    hidden: Sequence[Span] = (),
    alike: Sequence[str] = (),
) -> str:
    """A screen of 80 columns about the region or checksum `name`.

    Args:
        layout: The layout under review.
        name: One of its regions or checksums.
        comments: The comment lines of its table; the first one says how sure it is.
        images: Shown one above the other.
        place: Which guess of how many, from 1.
        total: How many.
        height: Lines of the terminal; the hex is cut so that the screen and the question fit,
            but never to less than one row of every image.
        hidden: What another layout of the job protects: not shown either.
        alike: The names of the guesses that one yes may answer with this one, itself among them.
    """
    if any(rules.name == name for rules in layout.records):
        return _render_store(layout, name, comments, place=place, total=total)
    in_records = find_in_records(layout, name)
    if in_records is not None:
        head = terminal.heading(f"Guess {place} of {total}: {name}")
        rows = _record_rows(layout, *in_records, comments, images, hidden)
        return "\n".join([head, *rows])
    region = layout.region_named(name)
    assert region is not None
    rule = next((rule for rule in layout.checksums if rule.name == name), None)
    lines = [
        terminal.heading(f"Guess {place} of {total}: {name}"),
        terminal.labelled("where", _where(region, rule), width=80, label_width=9),
        terminal.labelled("what", _what(region, rule), width=80, label_width=9),
    ]
    if comments:
        lines.append(terminal.labelled("how sure", comments[0], width=80, label_width=9))
    if comments[1:]:
        lines.append(terminal.labelled("evidence", " ".join(comments[1:]), width=80, label_width=9))
    results = [] if rule is None else [_result_line(rule, named) for named in images]
    below = [
        *_value_lines(layout, region, images, hidden),
        *results,
        "",
        terminal.labelled("yes", effect_of_yes(region, rule), width=80, label_width=9),
        terminal.labelled("no", effect_of_no(rule), width=80, label_width=9),
    ]
    others = [each for each in alike if each != name]
    if others:
        quoted_names = [f"'{each}'" for each in others]
        told = f"yes to this and to {listed(quoted_names)}"
        below.append(terminal.labelled("all alike", told, width=80, label_width=9))
    used = "\n".join([*lines, *below]).count("\n") + 1
    lines += ["", *_hex_lines(region, images, hidden, most=height - used - 2), *below]
    return "\n".join(lines)


def _render_store(
    layout: Layout, name: str, comments: Sequence[str], *, place: int, total: int
) -> str:
    """A store of records: its evidence names one record of each key, with its history."""
    rules = next(rules for rules in layout.records if rules.name == name)
    regions = ", ".join(f"'{each.region.name}'" for each in rules.regions) or "none"
    rows = [
        ("where", f"{format_span_with_length(rules.span)}"),
        ("what", f"a store of records; regions in its records: {regions}"),
        *((("how sure", comments[0]),) if comments else ()),
        ("yes", "'blank' blanks these regions in every record, old ones too, and recomputes the"),
        ("", "checksums of records and pages. Marks, numbers and free space stay."),
        ("no", "It is left out; its bytes stay as they are."),
    ]
    lines = [terminal.heading(f"Guess {place} of {total}: {name}")]
    lines += [terminal.labelled(label, text, width=80, label_width=9) for label, text in rows]
    if comments[1:]:
        told = "\n".join(f"  {line}" for line in comments[1:])
        lines += ["", "evidence", told]
    return "\n".join(lines)


def find_in_records(layout: Layout, name: str) -> tuple[RecordRules, RecordRegion] | None:
    """The region of that name in one of the layout's stores of records, with the store."""
    for rules in layout.records:
        for described in rules.regions:
            if described.region.name == name:
                return rules, described
    return None


def _record_rows(
    layout: Layout,
    rules: RecordRules,
    described: RecordRegion,
    comments: Sequence[str],
    images: Sequence[NamedImage],
    hidden: Sequence[Span],
) -> Iterator[str]:
    """A region in records: its key, evidence, and the value in force of each image."""
    region = described.region
    key = "; ".join(format_key(each) for each in described.keys)
    first, last = region.span.start, region.span.end - 1
    rows = [
        ("where", f"key {key} in '{rules.name}', bytes {first} to {last} of the record"),
        ("what", _what(region, None)),
        *((("how sure", comments[0]),) if comments else ()),
        *((("evidence", " ".join(comments[1:])),) if comments[1:] else ()),
    ]
    yield from (terminal.labelled(label, text, width=80, label_width=9) for label, text in rows)
    yield ""
    for named in images:
        newest = [
            value
            for value in read_values(layout, named.image)
            if value.is_newest and value.region == described
        ]
        shown = "no such record is in force"
        if region.kind is RegionKind.PROTECTED:
            shown = NOT_SHOWN
        elif newest:
            is_hidden = intersect_spans(newest[0].spans, hidden)
            shown = NOT_SHOWN if is_hidden else short_bytes_words(newest[0].raw, _ROW)
        yield f"  {_label(named.name)} {shown}"
    yield ""
    yield terminal.labelled("yes", effect_of_yes(region, None), width=80, label_width=9)
    yield terminal.labelled("no", effect_of_no(None), width=80, label_width=9)


def effect_of_yes(region: Region, rule: ChecksumRule | None) -> str:
    """What follows when a person says yes."""
    if rule is not None:
        return {
            WhenBlanked.REFRESH: "'blank' recomputes it when something that it covers is blanked, "
            "and every check says whether it is right.",
            WhenBlanked.ERASE: "'blank' erases it when something in it is blanked.",
            WhenBlanked.KEEP: "'blank' leaves it as it is; checks say whether it is right.",
            WhenBlanked.REFERENCE: "'blank' takes it from the reference image when something in"
            " it is blanked.",
        }[rule.when_blanked]
    blank_to = region.blank_to if region.blank_to is not None else BlankSource.ERASED
    blank = _BLANKED.get(blank_to) if isinstance(blank_to, BlankSource) else blank_words(blank_to)
    many = len(region.span)
    these = f"these {many:,} bytes" if many > 1 else "this byte"
    match region.kind:
        case RegionKind.VEHICLE_IDENTITY | RegionKind.STATE:
            return f"'blank' overwrites {these} with {blank}."
        case RegionKind.CONFIGURATION:
            return f"'blank' leaves it; with --configuration it writes {blank} there."
        case RegionKind.PROTECTED:
            return "It is never decoded, never shown, never changed."
        case RegionKind.MODULE_IDENTITY:
            return "It is shown, and never changed: it stays with the module."
        case RegionKind.UNUSED:
            return "Nothing changes; the bytes count as explained."
    return "It is never changed; differences in it are shown under this name."


def effect_of_no(rule: ChecksumRule | None) -> str:
    """What follows when a person says no."""
    if rule is not None:
        return "The layout does not name it. If it is one, the module may reject its data."
    return "The layout does not name it; these bytes stay as they are."


def render_reviewed(
    out: str,
    *,
    by: str,
    date: str,
    accepted: Sequence[str],
    changed: Sequence[str],
    rejected: Sequence[str],
) -> str:
    """What a finished review made of the guesses, given by name."""
    lines = [
        f"{safe_text(out)}: reviewed by {safe_text(by)} on {date}",
        f"  accepted  {len(accepted)}",
    ]
    for word, names in (("changed", changed), ("rejected", rejected)):
        listed = ", ".join(f"'{safe_text(name)}'" for name in names)
        lines.append(f"  {word:<9} {len(names)}{f': {listed}' if names else ''}")
    return "\n".join(lines)


def next_after_review(out: str, *, in_job: bool) -> NextStep:
    """What a person does next with the reviewed layout."""
    if in_job:
        return NextStep(commands=(f"benchimage blank donor --layout {quoted(out)} --dry-run",))
    return NextStep(
        text="see how it fits an image, and keep it where other commands look",
        commands=(
            f"benchimage layout check {quoted(out)} --against IMAGE",
            f"benchimage layout add {quoted(out)}",
        ),
    )


def _where(region: Region, rule: ChecksumRule | None) -> str:
    text = format_span_with_length(region.span)
    if rule is not None:
        covers = ", ".join(format_span(span) for span in rule.covers)
        text += f", over {covers}"
    return text


def _what(region: Region, rule: ChecksumRule | None) -> str:
    if rule is not None:
        order = "" if len(rule.stored) == 1 else f", {rule.byte_order} byte order"
        return f"checksum {rule.algorithm}{order}, when blanked: {rule.when_blanked.value}"
    words: list[Any] = [name_words(region.kind)]
    if region.type is not None:
        words.append(f"type {region.type.value}")
    if region.stored_as != "plain":
        words.append(f"stored as {region.stored_as}")
    if region.copy_of is not None:
        words.append(f"copy of '{region.copy_of}'")
    return ", ".join(words)


def _result_line(rule: ChecksumRule, named: NamedImage) -> str:
    return f"  {_label(named.name)} {checksum_words(check_checksum(named.image, rule))}"


def _value_lines(
    layout: Layout, region: Region, images: Sequence[NamedImage], hidden: Sequence[Span]
) -> Iterator[str]:
    """What each image holds in a field, decoded; nothing of what is protected."""
    if region.type is None or region.kind is RegionKind.PROTECTED:
        return
    if any(map(region.span.overlaps, hidden)):
        return
    for named in images:
        raw = named.image.read(region.span) if named.image.covers(region.span) else None
        field = decode_field(region, raw, erased=layout.erased)
        if field is not None and field.type is not FieldType.BYTES:
            yield f"  {_label(named.name).strip()} holds {field_words(field)}"


def _label(name: str) -> str:
    """The end of a name tells more than its folder."""
    shown = safe_text(name.replace("\\", "/").rpartition("/")[2] or name)
    return shown[:_LABEL].ljust(_LABEL)


def _hex_lines(
    region: Region, images: Sequence[NamedImage], hidden: Sequence[Span], *, most: int
) -> list[str]:
    """Rows of sixteen bytes, each of all images; the columns that differ are marked."""
    lines: list[str] = []
    span = region.span
    first = span.start - span.start % _ROW
    is_hidden = region.kind is RegionKind.PROTECTED or any(map(span.overlaps, hidden))
    for start in range(first, span.end, _ROW):
        part = span.intersection(Span(start, start + _ROW))
        assert part is not None
        if lines and len(lines) + len(images) + 3 > most:
            lines.append(f"  … up to {format_address(span.end - 1)}")
            break
        cells = [_cells(named.image, part, start) for named in images]
        lines.append(f"  {format_address(start)}")
        if not is_hidden:
            lines += [
                f"  {_label(named.name)} {' '.join(row)}  {_text_of(row)}".rstrip()
                for named, row in zip(images, cells, strict=True)
            ]
        if len(images) > 1:
            marks = _marks(cells)
            lines.append(f"  {'differs' if marks else 'all equal':<{_LABEL}} {marks}".rstrip())
    if is_hidden:
        lines.append("  The bytes of a protected region are not shown.")
    return [line for line in lines if line.strip()]


def _cells(image: Image, part: Span, start: int) -> list[str]:
    cells = []
    for address in range(start, start + _ROW):
        place = Span(address, address + 1)
        if address not in part:
            cells.append("  ")
        else:
            cells.append(f"{image.read(place)[0]:02X}" if image.covers(place) else "--")
    return cells


def _text_of(row: Sequence[str]) -> str:
    signs = []
    for cell in row:
        value = int(cell, 16) if cell.strip(" -") else 0
        signs.append(" " if not cell.strip() else chr(value) if 0x20 <= value < 0x7F else ".")
    return "".join(signs)


def _marks(cells: Sequence[Sequence[str]]) -> str:
    columns = zip(*cells, strict=True)
    return " ".join("^^" if len(set(column)) > 1 else "  " for column in columns).rstrip()
