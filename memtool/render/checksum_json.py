"""Algorithms and checksums as JSON values, in the shapes that `docs/schema/` publishes."""

from __future__ import annotations

from typing import Any

from memtool.core.checksums.algorithms import Algorithm
from memtool.core.checksums.checksum import ChecksumResult, ChecksumRule
from memtool.core.span import Span
from memtool.render.checksum_text import value_hex


def algorithm_value(algorithm: Algorithm) -> dict[str, Any]:
    """One row of the catalogue; null where it does not apply."""
    crc, width = algorithm.crc, algorithm.width
    return {
        "name": algorithm.name,
        "family": algorithm.family.value,
        "width": width,
        "poly": None if crc is None else value_hex(crc.poly, width),
        "init": None if crc is None else value_hex(crc.init, width),
        "refin": None if crc is None else crc.refin,
        "refout": None if crc is None else crc.refout,
        "xorout": None if crc is None else value_hex(crc.xorout, width),
        "check": None if crc is None else value_hex(crc.check, width),
        "residue": None if crc is None else value_hex(crc.residue, width),
        "word_order": algorithm.word_order,
        "ending": None if algorithm.ending is None else algorithm.ending.value,
        "aliases": list(algorithm.aliases),
    }


def rule_value(rule: ChecksumRule, result: ChecksumResult) -> dict[str, Any]:
    """What a layout says about one checksum, and what the image says."""
    return {
        **result_value(result),
        "covers": [_span(span) for span in rule.covers],
        "field": _span(rule.stored),
        "byte_order": rule.byte_order,
        "reason": result.reason,
    }


def result_value(result: ChecksumResult) -> dict[str, Any]:
    """Both values as they lie in memory; null where unknown."""
    return {
        "name": result.name,
        "algorithm": result.algorithm,
        "stored": result.stored.hex() or None,
        "computed": result.computed.hex() or None,
        "result": result.result.value,
    }


def _span(span: Span) -> dict[str, int]:
    return {"start": span.start, "end": span.end}
