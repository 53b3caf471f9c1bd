"""A layout as lines of text: a map of the whole memory, then every region and checksum."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator, Mapping

from memtool.core.checksums.checksum import ChecksumResult, ChecksumRule
from memtool.core.layouts.layout import (
    BlankSource,
    DecodedField,
    Layout,
    Region,
)
from memtool.core.layouts.layout_fit import LayoutFit
from memtool.core.layouts.record_rules import RecordRules
from memtool.core.span import Span, format_address, format_span
from memtool.core.words import count_of
from memtool.render.values import SIGNS, bytes_words, checksum_words, field_words, name_words
from memtool.render.words import safe_text

_NO_REGION = "."
_RECORDS = "R"
_NO_BREAK = "\u00a0"
_CELLS = 64
_MOST_ROWS = 16


def render_layout(layout: Layout, fit: LayoutFit | None = None, *, width: int = 80) -> str:
    """The whole layout; with `fit` also what one image holds in it.

    No line is longer than `width` columns, at least 40.
    """
    fields = {} if fit is None else {field.name: field for field in fit.fields}
    results = {} if fit is None else {result.name: result for result in fit.checksums}
    rules = {rule.name: rule for rule in layout.checksums}
    lines = [*_head(layout, fit, width), "", *render_map(layout, width=width), ""]
    for part in _parts(layout):
        if isinstance(part, Span):
            lines += _line(part, "no region", "", width)
            continue
        if isinstance(part, RecordRules):
            lines += _line(part.span, "records", part.name, width)
            lines += _note("; ".join(_store_words(part)), width)
            continue
        lines += _line(part.span, name_words(part.kind), part.name, width)
        rule = rules.get(part.name)
        words = _region_words(part) if rule is None else _rule_words(rule)
        lines += _note("; ".join(words), width)
        lines += _content(part, fields, results, width)
    return "\n".join(lines)


def render_map(layout: Layout, *, width: int = 80) -> list[str]:
    """One letter for each few bytes, in rows of 64 at most, with the key below."""
    wide = len(format_address(layout.base + layout.size - 1))
    room = width - wide - 2
    cells = min(_CELLS, 1 << (room.bit_length() - 1))
    step = 1
    while step * cells * _MOST_ROWS < layout.size:
        step *= 2
    lines = [f"Map, one letter for {count_of(step, 'byte')}:"]
    used: set[str] = set()
    for start in range(layout.base, layout.base + layout.size, step * cells):
        end = min(start + step * cells, layout.base + layout.size)
        row = "".join(
            _sign(layout, Span(at, min(at + step, end))) for at in range(start, end, step)
        )
        used |= set(row)
        lines.append(f"{format_address(start).ljust(wide)}  {row}")
    key = [f"{sign} {name_words(kind)}" for kind, sign in SIGNS.items() if sign in used]
    key += [f"{_RECORDS} records"] if _RECORDS in used else []
    key += [f"{_NO_REGION} no region"] if _NO_REGION in used else []
    # A letter stays beside its word.
    unbroken = ", ".join(part.replace(" ", _NO_BREAK) for part in key)
    return [*lines, *(line.replace(_NO_BREAK, " ") for line in textwrap.wrap(unbroken, width))]


def _sign(layout: Layout, cell: Span) -> str:
    kinds = {region.kind for region in layout.regions_in(cell)}
    stored = any(rules.span.overlaps(cell) for rules in layout.records)
    other = _RECORDS if stored else _NO_REGION
    return next((sign for kind, sign in SIGNS.items() if kind in kinds), other)


def _head(layout: Layout, fit: LayoutFit | None, width: int) -> list[str]:
    review = "reviewed" if layout.reviewed else "not reviewed: 'blank' refuses it"
    facts = (
        f"{layout.module} module, chip {safe_text(layout.chip)}, {format_span(layout.span)}"
        f" ({count_of(layout.size, 'byte')}), erased 0x{layout.erased:02X}"
    )
    title = safe_text(layout.name)
    if fit is None:
        title += f": {review}"
    else:
        facts += f"; {review}"
        checked = fit.checksums_right + fit.checksums_wrong
        right = f"{fit.checksums_right} of {count_of(checked, 'checksum')} right"
        title += f": {'fits' if fit.fits else 'does not fit'} this image, {right}"
    lines = [*_wrap(title, width), *_wrap(facts, width)]
    if layout.parts:
        lines += _wrap(f"seen on {', '.join(safe_text(part) for part in layout.parts)}", width)
    return lines


def _parts(layout: Layout) -> Iterator[Region | RecordRules | Span]:
    """Regions, stores of records and gaps by address."""
    parts: list[Region | RecordRules | Span] = [*layout.regions, *layout.records, *layout.gaps]
    yield from sorted(parts, key=lambda part: part if isinstance(part, Span) else part.span)


def _line(span: Span, kind: str, name: str, width: int) -> list[str]:
    place = f"{format_span(span):<13} {len(span):>7,}"
    head = f"{place}  {kind:<16}  "
    if len(head) + 20 > width:
        return [place, *_note(f"{kind} {safe_text(name)}", width)]
    return _wrap(safe_text(name), width, first=head, rest=" " * len(head)) or [head.rstrip()]


def _note(text: str, width: int) -> list[str]:
    indent = " " * (25 if width >= 80 else 4)
    return _wrap(text, width, first=indent, rest=indent)


def _wrap(text: str, width: int, *, first: str = "", rest: str = "") -> list[str]:
    return textwrap.wrap(
        text, width, initial_indent=first, subsequent_indent=rest, break_on_hyphens=False
    )


def _store_words(rules: RecordRules) -> list[str]:
    """The store in short: its records, and the regions in them."""
    words = ["records with lengths" if rules.record is None else f"entries of {rules.record} bytes"]
    if rules.page is not None:
        words.append(f"pages of {rules.page.size:,} bytes")
    words.append(f"newest by {rules.newest.by}")
    regions = (described.region for described in rules.regions)
    return [*words, *(f"'{safe_text(region.name)}' ({region.kind})" for region in regions)]


def _region_words(region: Region) -> list[str]:
    words = [] if region.type is None else [region.type.value]
    if region.stored_as != "plain":
        words.append(f"stored {region.stored_as}")
    if region.copy_of is not None:
        words.append(f"copy of '{safe_text(region.copy_of)}'")
    if region.blank_to is not None:
        words.append(f"blank to {blank_words(region.blank_to)}")
    for run in region.bits:
        bits = f"bit {run.high}" if run.high == run.low else f"bits {run.high}-{run.low}"
        words.append(f"{bits}: {safe_text(run.name)}")
    return words


def blank_words(blank_to: BlankSource | bytes) -> str:
    """``erased``, ``reference`` or the pattern: ``0x00``, ``12 34``."""
    if isinstance(blank_to, BlankSource):
        return blank_to.value
    return f"0x{blank_to.hex().upper()}" if len(blank_to) == 1 else bytes_words(blank_to)


def _rule_words(rule: ChecksumRule) -> list[str]:
    covers = ", ".join(format_span(span) for span in rule.covers)
    order = "" if len(rule.stored) == 1 else f", {rule.byte_order}-endian"
    total = "" if rule.total is None else f", total {rule.total:#x}"
    return [f"{rule.algorithm} over {covers}{order}{total}", f"when blanked: {rule.when_blanked}"]


def _content(
    region: Region,
    fields: Mapping[str, DecodedField],
    results: Mapping[str, ChecksumResult],
    width: int,
) -> list[str]:
    """What the image holds there."""
    if region.name in results:
        return _note(f"-> {checksum_words(results[region.name])}", width)
    if region.name in fields:
        return _note(f"-> {field_words(fields[region.name])}", width)
    return []


def render_fit(path: str, fit: LayoutFit, *, width: int = 80) -> str:
    """How well a layout explains one image: the score, then the reasons."""
    fields = fit.fields_decoded + fit.fields_faulty + fit.fields_undefined
    checked = fit.checksums_right + fit.checksums_wrong
    share = 100 * fit.bytes_explained / fit.bytes_total if fit.bytes_total else 0.0
    rows = {
        "fields": f"{fit.fields_decoded} of {fields} decode"
        + _besides((fit.fields_blank, "blank")),
        "checksums": f"{fit.checksums_right} of {checked} hold"
        + _besides((fit.checksums_blank, "blank"), (fit.checksums_not_checked, "not checked")),
        "bytes": f"{fit.bytes_explained:,} of {fit.bytes_total:,} explained ({share:.0f} %)",
    }
    verdict = "fits" if fit.fits else "does not fit"
    lines = _wrap(f"{safe_text(path)}: the layout {verdict}", width)
    lines += [f"  {label:<10} {words}" for label, words in rows.items()]
    for reason in fit.reasons:
        lines += _wrap(safe_text(reason), width, first="  - ", rest="    ")
    return "\n".join(lines)


def _besides(*counts: tuple[int, str]) -> str:
    return "".join(f", {number} {word}" for number, word in counts if number)
