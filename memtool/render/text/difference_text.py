"""Two compared images in lines for the terminal: the sum of it first, then place by place."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator, Sequence

from memtool.core.comparing.difference import Difference, DifferingRun, FieldChange
from memtool.core.comparing.moved import MovedBlock
from memtool.core.span import (
    Span,
    count_addresses,
    format_address,
    format_span,
    format_span_with_length,
)
from memtool.core.words import count_of, listed_spans
from memtool.render.values import (
    NOT_SHOWN,
    bytes_words,
    field_words,
    name_words,
    verdict_words,
)
from memtool.render.words import safe_text

MOST_RUNS = 30
MOST_FIELDS = 40
MOST_MOVED = 10
_MOST_SPANS = 4
_MOST_ROWS = 2
"""Rows of hex that one run gets for one image."""


def render_difference(difference: Difference, *, width: int = 80) -> str:
    """What differs, at most `width` columns wide; long lists are cut and say so."""
    places = render_places(difference, width=width)
    summary = render_summary(difference, width=width)
    return f"{summary}\n\n{places}" if places else summary


def render_summary(difference: Difference, *, width: int = 80) -> str:
    """How much differs, and whether one layout is right for both: the first lines."""
    return "\n".join(_summary(difference, width))


def render_places(difference: Difference, *, width: int = 80) -> str:
    """What differs place by place; empty where nothing does."""
    sections = []
    if difference.runs:
        shown = [_run_lines(run, width) for run in difference.runs[:MOST_RUNS]]
        sections.append(_section("Differing runs", shown, len(difference.runs), "run"))
    if difference.fields:
        fields = [_field_lines(change, width) for change in difference.fields[:MOST_FIELDS]]
        sections.append(_section("Differing fields", fields, len(difference.fields), "field"))
    if difference.moved:
        blocks = [
            _wrap(_moved_words(block), width, "  ") for block in difference.moved[:MOST_MOVED]
        ]
        section = _section("Moved blocks", blocks, len(difference.moved), "block")
        if difference.moved_until is not None:
            section = "\n".join(
                [section, *_wrap(_until_words(difference.moved_until), width, "  ")]
            )
        sections.append(section)
    return "\n\n".join(sections)


def _section(title: str, entries: Sequence[Sequence[str]], total: int, word: str) -> str:
    lines = [title, *(line for entry in entries for line in entry)]
    if total > len(entries):
        lines.append(f"  ... and {count_of(total - len(entries), f'more {word}')} (all in --json)")
    return "\n".join(lines)


def _summary(difference: Difference, width: int) -> list[str]:
    sentences = [count_words(difference)]
    for name, spans in (("A", difference.only_in_a), ("B", difference.only_in_b)):
        if spans:
            sentences.append(f"Only in {name}: {_listed(spans)}")
    answer = verdict_words(difference.same_layout.result)
    sentences.append(f"One layout for both: {answer}. {safe_text(difference.same_layout.reason)}")
    return [line for sentence in sentences for line in _wrap(sentence, width)]


def count_words(difference: Difference) -> str:
    """How many bytes differ and how many are equal, one sentence."""
    equal = count_of(difference.equal_bytes, "byte")
    if difference.equal:
        return f"The images are equal: {equal} at the same addresses."
    if not difference.runs:
        if not difference.equal_bytes:
            return "The images share no address."
        return f"No byte differs where both are defined ({equal})."
    differing = count_of(difference.differing_bytes, "byte")
    differ = "differs" if difference.differing_bytes == 1 else "differ"
    are = "is" if difference.equal_bytes == 1 else "are"
    runs = count_of(len(difference.runs), "run")
    return f"{differing} {differ}, in {runs}; {equal} {are} equal."


def _wrap(text: str, width: int, indent: str = "") -> list[str]:
    return textwrap.wrap(
        text,
        width,
        initial_indent=indent,
        subsequent_indent=f"{indent}  ",
        break_on_hyphens=False,
    )


def _listed(spans: Sequence[Span]) -> str:
    shown = listed_spans(spans, _MOST_SPANS, lengths=True)
    rest = spans[_MOST_SPANS:]
    return f"{shown} ({count_of(count_addresses(rest), 'byte')})" if rest else shown


def _run_lines(run: DifferingRun, width: int) -> list[str]:
    head = f"  {format_span_with_length(run.span)}"
    if run.kind is not None and run.region is not None:
        head += f"  {name_words(run.kind)}: {safe_text(run.region)}"
    lines = [_cut(head, width)]
    if run.a is None or run.b is None:
        return [*lines, f"    {NOT_SHOWN}"]
    return [*lines, *_hex_lines("A", run.a, width), *_hex_lines("B", run.b, width)]


def _hex_lines(name: str, data: bytes, width: int) -> Iterator[str]:
    """Hex and text, a few rows, and how much is left out."""
    row_length = 16 if width >= 72 else 8
    shown = data[: row_length * _MOST_ROWS]
    for start in range(0, len(shown), row_length):
        row = shown[start : start + row_length]
        text = "".join(chr(byte) if 0x20 <= byte < 0x7F else "." for byte in row)
        label = name if start == 0 else " "
        yield f"    {label}  {bytes_words(row):<{row_length * 3 - 1}}  {text}".rstrip()
    if len(data) > len(shown):
        yield f"       ... {count_of(len(data) - len(shown), 'more byte')}"


def _field_lines(change: FieldChange, width: int) -> list[str]:
    return [
        _cut(f"  {safe_text(change.name)} ({name_words(change.kind)})", width),
        _cut(f"    A  {field_words(change.a)}", width),
        _cut(f"    B  {field_words(change.b)}", width),
    ]


def _until_words(address: int) -> str:
    return (
        f"From {format_address(address)} on no more were looked for: so many are texts of the same"
        " words."
    )


def _moved_words(block: MovedBlock) -> str:
    in_a = Span(block.a_start, block.a_start + block.length)
    in_b = Span(block.b_start, block.b_start + block.length)
    length = count_of(block.length, "byte")
    return f"{format_span(in_a)} of A is at {format_span(in_b)} in B ({length})"


def _cut(line: str, width: int) -> str:
    return line if len(line) <= width else f"{line[: width - 3]}..."
