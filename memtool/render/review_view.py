"""One guess as a screen: where, all images one above the other, evidence, what yes would do.

Bytes of a protected region are not shown, only where they differ.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from memtool.core.checksums.checksum import ChecksumRule, WhenBlanked, check_checksum
from memtool.core.finding import Verdict
from memtool.core.image import Image
from memtool.core.layouts.layout import Layout
from memtool.core.layouts.region import BlankSource, Region, RegionKind
from memtool.core.span import Span, format_address, format_span, format_span_with_length
from memtool.render import terminal
from memtool.render.layout_map import blank_words
from memtool.render.words import count_of, safe_text

_ROW = 16
_LABEL = 12


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
    """
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
        *results,
        "",
        terminal.labelled("yes", effect_of_yes(region, rule), width=80, label_width=9),
        terminal.labelled("no", effect_of_no(rule), width=80, label_width=9),
    ]
    used = "\n".join([*lines, *below]).count("\n") + 1
    lines += ["", *_hex_lines(region, images, most=height - used - 2), *below]
    return "\n".join(lines)


def effect_of_yes(region: Region, rule: ChecksumRule | None) -> str:
    """What follows when a person says yes."""
    if rule is not None:
        return {
            WhenBlanked.REFRESH: "'blank' computes it again when something in it is blanked,"
            " and every check tells whether it holds.",
            WhenBlanked.ERASE: "'blank' erases it when something in it is blanked.",
            WhenBlanked.KEEP: "'blank' leaves it as it is; checks tell whether it holds.",
            WhenBlanked.REFERENCE: "'blank' takes it from the reference image when something in"
            " it is blanked.",
        }[rule.when_blanked]
    blank = blank_words(region.blank_to if region.blank_to is not None else BlankSource.ERASED)
    bytes_ = count_of(len(region.span), "byte")
    match region.kind:
        case RegionKind.VEHICLE_IDENTITY | RegionKind.STATE:
            return f"'blank' puts {blank} over {bytes_} of a donor."
        case RegionKind.CONFIGURATION:
            return f"'blank' leaves it, unless asked with --configuration: then {blank}."
        case RegionKind.PROTECTED:
            return "It is never decoded, never shown, never changed."
        case RegionKind.MODULE_IDENTITY:
            return "It is shown, and never changed: it stays with the module."
        case RegionKind.UNUSED:
            return "Nothing changes; it counts as explained."
    return "It is never changed; differences in it are told by this name."


def effect_of_no(rule: ChecksumRule | None) -> str:
    """What follows when a person says no."""
    if rule is not None:
        return "The layout does not name it. If it is one, the module may refuse its data."
    return "The layout does not name it: these bytes stay as they are."


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
    words: list[Any] = [region.kind.value]
    if region.type is not None:
        words.append(f"type {region.type.value}")
    if region.stored_as != "plain":
        words.append(f"stored as {region.stored_as}")
    if region.copy_of is not None:
        words.append(f"copy of '{region.copy_of}'")
    return ", ".join(words)


def _result_line(rule: ChecksumRule, named: NamedImage) -> str:
    result = check_checksum(named.image, rule)
    word = {Verdict.PASS: "holds", Verdict.FAIL: "does not hold"}.get(
        result.result, "cannot be computed"
    )
    return f"  {_label(named.name)} {word}"


def _label(name: str) -> str:
    """The end of a name tells more than its folder."""
    shown = safe_text(name.replace("\\", "/").rpartition("/")[2] or name)
    return shown[:_LABEL].ljust(_LABEL)


def _hex_lines(region: Region, images: Sequence[NamedImage], *, most: int) -> list[str]:
    """Rows of sixteen bytes, each of all images; the columns that differ are marked."""
    lines: list[str] = []
    span = region.span
    first = span.start - span.start % _ROW
    hidden = region.kind is RegionKind.PROTECTED
    for start in range(first, span.end, _ROW):
        part = span.intersection(Span(start, start + _ROW))
        assert part is not None
        if lines and len(lines) + len(images) + 3 > most:
            lines.append(f"  … up to {format_address(span.end - 1)}")
            break
        cells = [_cells(named.image, part, start) for named in images]
        lines.append(f"  {format_address(start)}")
        if not hidden:
            lines += [
                f"  {_label(named.name)} {' '.join(row)}  {_text_of(row)}".rstrip()
                for named, row in zip(images, cells, strict=True)
            ]
        if len(images) > 1:
            marks = _marks(cells)
            lines.append(f"  {'differs' if marks else 'all equal':<{_LABEL}} {marks}".rstrip())
    if hidden:
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
