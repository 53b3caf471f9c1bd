"""What was learned from a finished job, in words: for the terminal, the pages and the JSON."""

from __future__ import annotations

from typing import Any

from memtool.core.layouts.record_rules import format_key
from memtool.core.learning.learned import (
    Learned,
    MovedChecksums,
    Proposal,
    Warned,
    WarningCode,
    WrittenPlace,
)
from memtool.core.report.procedure import ProcedureWriting, WrittenRow
from memtool.core.span import format_span
from memtool.core.words import count_of, listed_spans
from memtool.render.values import NOT_SHOWN, name_words, span_value, span_values
from memtool.render.words import safe_text

NO_ORIGINAL = "There is no read of the original to compare with."
_WARNINGS = {
    WarningCode.STILL_BLANK: "was blanked and is still blank: the maker's procedure does not write"
    " it, and blanking it may not have been needed",
    WarningCode.CAME_BACK: "was blanked and holds again what the donor held: blanking it may not"
    " have been needed",
    WarningCode.REWRITTEN: "was kept, and is another now: the maker's procedure"
    " wrote it, or the module itself",
}


def place_words(place: WrittenPlace) -> str:
    """A region by its name, a record by its key, other bytes by their addresses."""
    if place.name is not None:
        return f"'{safe_text(place.name)}'"
    if place.key is not None:
        return f"key {safe_text(format_key(place.key))} in '{safe_text(place.store or '')}'"
    return listed_spans(place.spans, 2)


def address_words(place: WrittenPlace) -> str:
    """Where it lies in the finished module."""
    return listed_spans(place.spans, 2)


def likeness_words(place: WrittenPlace) -> str:
    """How much of it is as in the original; of protected bytes nothing is said."""
    if place.is_protected:
        return NOT_SHOWN
    if place.as_original is None:
        return ""
    if place.follows_vehicle:
        return "as in the original"
    if place.as_original == 0:
        return "not as in the original"
    return f"{place.as_original} of {place.count} bytes as in the original"


def checksum_words(moved: MovedChecksums) -> str:
    """A checksum that changed, or those of a store together."""
    name = f"'{safe_text(moved.name)}'"
    if not moved.is_store:
        return f"{name}: {'right' if moved.holding else 'wrong'}"
    what = count_of(moved.count, "checksum")
    right = "all right" if moved.holding == moved.count else f"{moved.holding} right"
    return f"{what} in the records of {name}: {right}"


def warning_words(warned: Warned) -> str:
    """A sentence."""
    place = warned.place
    kind = f" ({name_words(place.kind)})" if place.kind is not None else ""
    return f"{place_words(place)}{kind} {_WARNINGS[warned.code]}."


def proposal_words(proposal: Proposal) -> str:
    """What would change, without the evidence."""
    region = proposal.region
    what = f"'{safe_text(region.name)}' is {name_words(region.kind)}"
    if proposal.was is not None:
        return f"{what}, not {name_words(proposal.was)}"
    where = format_span(region.span)
    if proposal.store is not None and proposal.key is not None:
        where = f"key {safe_text(format_key(proposal.key))} in '{safe_text(proposal.store)}'"
    form = f", stored as {region.stored_as}" if region.stored_as != "plain" else ""
    return f"{what}{form}: {where}, {count_of(len(region.span), 'byte')}"


def learned_values(learned: Learned) -> dict[str, Any]:
    """JSON values."""
    return {
        "changed_bytes": learned.changed,
        "has_original": learned.has_original,
        "written": [_place_value(place) for place in learned.written],
        "unexplained": [_place_value(place) for place in learned.unexplained],
        "checksums": [_checksum_value(moved) for moved in learned.checksums],
        "still_blank": [_place_value(place) for place in learned.still_blank],
        "warnings": [
            {
                "code": warned.code.value,
                "text": warning_words(warned),
                "spans": span_values(warned.place.spans),
            }
            for warned in learned.warnings
        ],
        "proposals": [_proposal_value(proposal) for proposal in learned.proposals],
    }


def procedure_values(writing: ProcedureWriting) -> dict[str, Any]:
    """JSON values for the report; bytes in the shop's copy alone."""
    return {
        "changed_bytes": writing.changed,
        "has_original": writing.has_original,
        "written": [_row_value(row) for row in writing.written],
        "unexplained": [_row_value(row) for row in writing.unexplained],
        "checksums": [_checksum_value(moved) for moved in writing.checksums],
        "still_blank": [_place_value(place) for place in writing.still_blank],
    }


def _row_value(row: WrittenRow) -> dict[str, Any]:
    return {**_place_value(row.place), "new": None if row.new is None else row.new.hex()}


def _checksum_value(moved: MovedChecksums) -> dict[str, Any]:
    return {
        "name": moved.name,
        "store": moved.is_store,
        "count": moved.count,
        "right": moved.holding,
        "spans": span_values(moved.spans),
    }


def _place_value(place: WrittenPlace) -> dict[str, Any]:
    return {
        "name": place.name,
        "kind": place.kind.value if place.kind else None,
        "store": place.store,
        "key": None if place.key is None else format_key(place.key),
        "bytes": place.count,
        "as_original": place.as_original,
        "spans": span_values(place.spans),
    }


def _proposal_value(proposal: Proposal) -> dict[str, Any]:
    region = proposal.region
    return {
        "name": region.name,
        **span_value(region.span),
        "kind": region.kind.value,
        "was": proposal.was.value if proposal.was else None,
        "stored_as": region.stored_as,
        "store": proposal.store,
        "key": None if proposal.key is None else format_key(proposal.key),
        "confidence": proposal.confidence.value,
        "evidence": list(proposal.evidence),
    }
