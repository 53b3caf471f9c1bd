"""What the values of a ``[[checksum]]`` mean; the rule itself is judged by the core."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from memtool.core.checksums.algorithms import UnknownAlgorithmError, get_algorithm
from memtool.core.checksums.checksum import ChecksumRule, WhenBlanked, find_rule_faults
from memtool.core.span import Span
from memtool.formats.layout_toml.faults import FaultBook
from memtool.formats.layout_toml.lines import KeyPath
from memtool.formats.layout_toml.tables import Table, label_of, sentence_of, span_of, word_of


@dataclass(frozen=True, slots=True, kw_only=True)
class ChecksumDraft:
    """One ``[[checksum]]`` as far as it is sound."""

    path: KeyPath
    label: str
    name: str | None
    stored: Span | None
    rule: ChecksumRule | None
    """None where some part of it is wrong."""


def judge_checksum(
    values: Table, path: KeyPath, space: Span | None, faults: FaultBook
) -> ChecksumDraft:
    """Judge one ``[[checksum]]`` by itself."""
    label = label_of(path, values.get("name"))
    before = len(faults)
    stored = span_of(values.get("stored"), (*path, "stored"), label, space, faults)
    covers = tuple(
        span_of(text, (*path, "covers", index), label, space, faults)
        for index, text in enumerate(values.get("covers", ()))
    )
    when = word_of(WhenBlanked, "when_blanked", values, path, faults)
    order = _byte_order(values, stored, path, label, faults)
    algorithm = _algorithm(values.get("algorithm"), path, faults)
    rule = None
    if stored is not None and order is not None and algorithm is not None and covers:
        rule = ChecksumRule(
            name=values.get("name", label),
            algorithm=algorithm,
            covers=tuple(span for span in covers if span is not None),
            stored=stored,
            byte_order=order,
            total=values.get("total"),
            when_blanked=when or WhenBlanked.KEEP,
        )
        if None not in covers and "covers" not in faults.keys_under(path):
            for text in find_rule_faults(rule):
                faults.add(path, "layout-checksum", f"{label}: {text}")
    sound = len(faults) == before
    return ChecksumDraft(
        path=path, label=label, name=values.get("name"), stored=stored, rule=rule if sound else None
    )


def _byte_order(
    values: Table, stored: Span | None, path: KeyPath, label: str, faults: FaultBook
) -> Literal["big", "little"] | None:
    match values.get("byte_order"):
        case "big":
            return "big"
        case "little":
            return "little"
        case None if "byte_order" in faults.keys_under(path):
            return None
        case None if stored is None or len(stored) == 1:
            return "big"
        case None:
            text = f"{label}: the key 'byte_order' is missing, and its field has several bytes"
            faults.add(path, "layout-key-missing", text)
        case other:
            meant = faults.suggest(other, ("big", "little")) or ": write big or little"
            text = f"byte_order '{other}' is unknown{meant}"
            faults.add((*path, "byte_order"), "layout-byte-order-unknown", text)
    return None


def _algorithm(name: str | None, path: KeyPath, faults: FaultBook) -> str | None:
    """The published name."""
    if name is None:
        return None
    try:
        return get_algorithm(name).name
    except UnknownAlgorithmError as error:
        faults.add((*path, "algorithm"), "layout-algorithm-unknown", sentence_of(error))
        return None
