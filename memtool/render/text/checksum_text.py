"""Checksums in lines for the terminal: the catalogue, one value, the verdict of each rule."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator, Sequence
from itertools import groupby

from memtool.core.checksums.algorithms import Algorithm
from memtool.core.checksums.checksum import ChecksumResult
from memtool.core.checksums.crc import CrcParameters
from memtool.core.checksums.sums import Ending
from memtool.core.span import Span, format_span_with_length
from memtool.render.values import bytes_words, verdict_words
from memtool.render.words import safe_text

_WIDTH = 80
_GAP = 2
_NARROWEST = 6
"""Columns that a name keeps however long the values are."""

_ENDINGS = {
    Ending.ONES: "one's complement",
    Ending.TWOS: "two's complement",
    Ending.TOTAL: "missing to a total",
}


def value_hex(value: int, width: int) -> str:
    """A value of `width` bits in lower-case hex, whole bytes."""
    return f"{value:0{(width + 7) // 8 * 2}x}"


def render_catalogue(algorithms: Sequence[Algorithm]) -> str:
    """All algorithms: CRCs by width with their parameters, then the sums."""
    crcs = [(item.name, item.crc) for item in algorithms if item.crc is not None]
    blocks = []
    for width, group in groupby(crcs, key=lambda row: row[1].width):
        header = ("CRC", "poly", "init", "reflected", "xorout", "check")
        rows = [(name, *_parameter_cells(crc)) for name, crc in group]
        blocks.append("\n".join([f"{width} bits", *_align([header, *rows])]))
    others = [(item.name, str(item.width), _words(item)) for item in algorithms if not item.crc]
    blocks.append(
        "\n".join(["Sums (words have 16 bits)", *_align([("name", "bits", "value"), *others])])
    )
    blocks.append("0 and ones: no bit, and every bit of the width, is set.")
    return "\n\n".join(blocks)


def render_value(algorithm: Algorithm, span: Span, value: int) -> str:
    """One computed value, with the parameters that make the name unmistakable."""
    big = value.to_bytes(algorithm.field_length, "big")
    memory = bytes_words(big)
    if len(big) > 1:
        memory = f"{memory} high byte first, or {bytes_words(big[::-1])} low byte first"
    lines = [
        ("algorithm", algorithm.name),
        ("", f"{algorithm.width} bits, {_words(algorithm)}"),
        ("span", format_span_with_length(span)),
        ("value", value_hex(value, algorithm.width)),
        ("in memory", memory),
    ]
    return "\n".join(_labelled(label, text) for label, text in lines)


def render_results(results: Sequence[ChecksumResult]) -> str:
    """A row for each checksum, and below it why one was not checked."""
    header = ("name", "algorithm", "stored", "computed", "result")
    rows = [
        (
            safe_text(result.name),
            safe_text(result.algorithm),
            bytes_words(result.stored),
            bytes_words(result.computed),
            verdict_words(result.result),
        )
        for result in results
    ]
    widths = _fit([max(len(row[place]) for row in (header, *rows)) for place in range(5)])
    lines = [*_wrapped_row(header, widths)]
    for row, result in zip(rows, results, strict=True):
        lines += _wrapped_row(row, widths)
        if result.reason is not None:
            lines += textwrap.wrap(
                f"not checked: {safe_text(result.reason)}",
                width=_WIDTH,
                initial_indent="    ",
                subsequent_indent="    ",
                break_on_hyphens=False,
            )
    return "\n".join(lines)


def _words(algorithm: Algorithm) -> str:
    """What an algorithm does, in one line."""
    if algorithm.crc is not None:
        crc = algorithm.crc
        cells = dict(
            zip(("poly", "init", "reflected", "xorout"), _parameter_cells(crc), strict=False)
        )
        return ", ".join(f"{label} {cell}" for label, cell in cells.items())
    added = "" if algorithm.sum is None else algorithm.sum.meaning
    return added if algorithm.ending is None else f"{added}, {_ENDINGS[algorithm.ending]}"


def _parameter_cells(crc: CrcParameters) -> tuple[str, str, str, str, str]:
    reflected = {(False, False): "no", (True, True): "yes", (True, False): "in"}
    return (
        value_hex(crc.poly, crc.width),
        _constant(crc.init, crc.width),
        reflected.get((crc.refin, crc.refout), "out"),
        _constant(crc.xorout, crc.width),
        value_hex(crc.check, crc.width),
    )


def _constant(value: int, width: int) -> str:
    """Long runs of one digit say less than a word."""
    if value == 0:
        return "0"
    return "ones" if value == (1 << width) - 1 else value_hex(value, width)


def _labelled(label: str, text: str) -> str:
    lead = f"{label:<11}"
    wrapped = textwrap.wrap(
        text, width=_WIDTH, initial_indent=lead, subsequent_indent=" " * len(lead)
    )
    return "\n".join(wrapped)


def _align(rows: Sequence[Sequence[str]]) -> Iterator[str]:
    widths = [max(len(row[place]) for row in rows) for place in range(len(rows[0]))]
    for row in rows:
        cells = (cell.ljust(width) for cell, width in zip(row, widths, strict=True))
        yield (" " * _GAP + (" " * _GAP).join(cells)).rstrip()


def _fit(widths: list[int]) -> list[int]:
    """Take columns from name and algorithm until a row fits."""
    fitted = list(widths)
    over = sum(fitted) + _GAP * len(fitted) - _WIDTH
    for place in (0, 1):
        taken = max(0, min(over, fitted[place] - _NARROWEST))
        fitted[place] -= taken
        over -= taken
    return fitted


def _wrapped_row(cells: Sequence[str], widths: Sequence[int]) -> Iterator[str]:
    """One row, cells longer than their column running on below."""
    columns = [
        textwrap.wrap(cell, width=width) or [""] for cell, width in zip(cells, widths, strict=True)
    ]
    for number in range(max(len(column) for column in columns)):
        parts = (
            (column[number] if number < len(column) else "").ljust(width)
            for column, width in zip(columns, widths, strict=True)
        )
        yield (" " * _GAP + (" " * _GAP).join(parts)).rstrip()
