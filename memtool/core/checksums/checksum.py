"""One checksum of an image: what it covers, where and how it is stored; check and apply.

Rules
-----
1. The block is the spans of `covers`, joined in the order given. The stored field is no
   part of it, except with ``/TOTAL``: there one of the spans includes the field, and the
   rest of the block plus the field's number must make the total.
2. The field is as long as the value needs: width / 8 bytes, rounded up. A value whose
   width is no multiple of 8 lies right-aligned, with zero bits above it.
3. A rule that has faults, or speaks of bytes that the image does not define, gives "not
   checked" with the reason, never a number.
4. A checksum that covers another one's field is refreshed after it.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Iterator, Sequence
from enum import StrEnum
from typing import NamedTuple

from memtool.core.checksums.algorithms import (
    Algorithm,
    UnknownAlgorithmError,
    compute_value,
    get_algorithm,
)
from memtool.core.checksums.sums import ByteOrder, Ending
from memtool.core.finding import Verdict
from memtool.core.image import Image
from memtool.core.span import Span, format_span, format_span_with_length, subtract_spans


class WhenBlanked(StrEnum):
    """What becomes of the stored checksum when the block's identity is blanked."""

    REFRESH = "refresh"
    """Computed again over the new content."""
    ERASE = "erase"
    """Set to the erased value, as in a module that was never configured."""
    KEEP = "keep"
    """Left as it is."""
    REFERENCE = "reference"
    """Taken from the reference image."""


class ChecksumRule(NamedTuple):
    """One checksum as a layout describes it. `find_rule_faults` says whether it can work."""

    name: str
    algorithm: str
    """A name that `get_algorithm` knows."""
    covers: tuple[Span, ...]
    """The block, joined in this order."""
    stored: Span
    """Where the value lies."""
    byte_order: ByteOrder
    """Of the stored value."""
    when_blanked: WhenBlanked
    total: int | None = None
    """With ``/TOTAL`` alone; None is 0."""
    store: str | None = None
    """The store of records that it guards a part of; such rules are told together."""


class ChecksumResult(NamedTuple):
    """What one rule says about one image."""

    name: str
    """The rule's."""
    algorithm: str
    """The published name; as the rule has it where it is unknown."""
    stored: bytes
    """The field as it lies in the image; empty where not all of it is defined."""
    computed: bytes
    """The field as it should lie there; empty where it was not computed."""
    result: Verdict
    reason: str | None = None
    """Why it was not checked, without full stop; None where it was."""


class ChecksumCycleError(ValueError):
    """Checksums cover each other's fields, so none of them can be refreshed first."""

    def __init__(self, names: Sequence[str]) -> None:
        """Keep the names of the rules that form the cycle, each covering the next one's field."""
        self.names = tuple(names)
        chain = " covers the field of ".join(f"'{name}'" for name in (*names, names[0]))
        super().__init__(f"these checksums can never all be right: {chain}")


def find_rule_faults(rule: ChecksumRule) -> tuple[str, ...]:
    """Everything that keeps `rule` from giving a right number, on any image.

    Returns:
        Sentences without the rule's name and without full stop; empty if it can work.
    """
    faults = _faults_of_covers(rule)
    try:
        algorithm = get_algorithm(rule.algorithm)
    except UnknownAlgorithmError as error:
        return (*faults, str(error))
    faults += _faults_of_field(rule, algorithm)
    faults += _faults_of_total(rule, algorithm)
    if algorithm.word_order is not None:
        faults += _faults_of_words(rule, algorithm)
    return tuple(faults)


def check_checksum(image: Image, rule: ChecksumRule) -> ChecksumResult:
    """Compare the stored value with the computed one; rule 3 says when it does neither."""
    stored = image.read(rule.stored) if image.covers(rule.stored) else b""
    reason = _why_not(image, rule)
    if reason is not None:
        return ChecksumResult(
            name=rule.name,
            algorithm=_published(rule.algorithm),
            stored=stored,
            computed=b"",
            result=Verdict.NOT_CHECKED,
            reason=reason,
        )
    algorithm = get_algorithm(rule.algorithm)
    computed = _field(image, rule, algorithm)
    return ChecksumResult(
        name=rule.name,
        algorithm=algorithm.name,
        stored=stored,
        computed=computed,
        result=Verdict.PASS if stored == computed else Verdict.FAIL,
    )


def apply_checksum(image: Image, rule: ChecksumRule) -> Image:
    """A copy of `image` in which the stored field is right; nothing else changes.

    Raises:
        ValueError: the rule has faults, or the image does not define all of its bytes.
    """
    reason = _why_not(image, rule)
    if reason is not None:
        raise ValueError(f"checksum '{rule.name}' cannot be computed: {reason}")
    field = _field(image, rule, get_algorithm(rule.algorithm))
    return image.with_bytes([(rule.stored.start, field)])


def refresh_order(rules: Sequence[ChecksumRule]) -> tuple[ChecksumRule, ...]:
    """The rules in an order in which each one is computed after all that it covers.

    Rules that do not depend on each other keep their order.

    Raises:
        ChecksumCycleError: some cover each other's fields in a circle.
    """
    inside = _FieldsByAddress(rules)
    order: list[int] = []
    done: set[int] = set()
    for first in range(len(rules)):
        if first in done:
            continue
        # An explicit trail, not recursion: a long chain of rules must not end the stack.
        trail = {first: inside.find_covered(first)}
        while trail:
            place, rest = next(reversed(trail.items()))
            covered = next((other for other in rest if other not in done), None)
            if covered is None:
                del trail[place]
                done.add(place)
                order.append(place)
            elif covered in trail:
                members = list(trail)[list(trail).index(covered) :]
                raise ChecksumCycleError([rules[member].name for member in members])
            else:
                trail[covered] = inside.find_covered(covered)
    return tuple(rules[place] for place in order)


class _FieldsByAddress:
    """Finds the rules whose stored field another rule covers, wholly or in part."""

    def __init__(self, rules: Sequence[ChecksumRule]) -> None:
        self._rules = rules
        self._places = sorted(range(len(rules)), key=lambda place: rules[place].stored)
        self._starts = [rules[place].stored.start for place in self._places]
        self._longest = max((len(rule.stored) for rule in rules), default=0)

    def find_covered(self, place: int) -> Iterator[int]:
        """Places of those rules, the rule's own left out, in the order given."""
        found: set[int] = set()
        for span in self._rules[place].covers:
            # A field that begins before the span may reach into it, by no more than the longest is
            # long.
            low = bisect_left(self._starts, span.start - self._longest + 1)
            high = bisect_left(self._starts, span.end)
            found.update(
                other
                for other in self._places[low:high]
                if other != place and span.overlaps(self._rules[other].stored)
            )
        return iter(sorted(found))


def _block_spans(rule: ChecksumRule) -> list[Span]:
    """What is computed over: `covers` in the order given, without the stored field."""
    return [part for span in rule.covers for part in subtract_spans([span], [rule.stored])]


def _field(image: Image, rule: ChecksumRule, algorithm: Algorithm) -> bytes:
    block = b"".join(image.read(span) for span in _block_spans(rule))
    value = compute_value(algorithm, block, total=rule.total)
    return value.to_bytes(algorithm.field_length, rule.byte_order)


def _published(name: str) -> str:
    try:
        return get_algorithm(name).name
    except UnknownAlgorithmError:
        return name


def _why_not(image: Image, rule: ChecksumRule) -> str | None:
    """Why no number can be given for this rule and image, or None."""
    faults = find_rule_faults(rule)
    if faults:
        return "; ".join(faults)
    spans = (*rule.covers, rule.stored)
    if all(image.covers(span) for span in spans):
        return None
    missing = subtract_spans(spans, image.spans)
    listed = ", ".join(format_span_with_length(span) for span in missing[:4])
    more = "" if len(missing) <= 4 else ", ..."
    return f"the image does not define {listed}{more}"


def _faults_of_covers(rule: ChecksumRule) -> list[str]:
    if not rule.covers:
        return ["it covers nothing"]
    faults: list[str] = []
    last: Span | None = None
    for span in sorted(rule.covers):
        if last is not None and span.overlaps(last):
            faults.append(f"it covers {format_span(span)} and {format_span(last)}, which overlap")
        # Compared with the one that reaches farthest, not with the neighbour: it may lie inside a
        # longer one.
        last = span if last is None or span.end > last.end else last
    return faults


def _faults_of_field(rule: ChecksumRule, algorithm: Algorithm) -> list[str]:
    if len(rule.stored) == algorithm.field_length:
        return []
    unit = "byte" if algorithm.field_length == 1 else "bytes"
    fault = (
        f"{algorithm.name} is stored in {algorithm.field_length} {unit}, but the field is"
        f" {format_span_with_length(rule.stored)}"
    )
    return [fault]


def _faults_of_total(rule: ChecksumRule, algorithm: Algorithm) -> list[str]:
    if algorithm.ending is not Ending.TOTAL:
        faults = [
            f"it covers {format_span(span)}, which touches its own field {format_span(rule.stored)}"
            for span in rule.covers
            if span.overlaps(rule.stored)
        ]
        if rule.total is not None:
            faults.append(f"a total belongs to names that end in /TOTAL, not to {algorithm.name}")
        return faults
    faults = []
    if not any(span.contains(rule.stored) for span in rule.covers):
        faults.append(
            f"with {algorithm.name} one covered span must include the field"
            f" {format_span(rule.stored)}"
        )
    elif not _block_spans(rule):
        faults.append("it covers nothing but its own field")
    if rule.total is not None and not 0 <= rule.total < 1 << algorithm.width:
        faults.append(f"total {rule.total} does not fit into {algorithm.width} bits")
    return faults


def _faults_of_words(rule: ChecksumRule, algorithm: Algorithm) -> list[str]:
    """What would make a sum of 16-bit words depend on how an odd byte is paired."""
    length = sum(len(span) for span in _block_spans(rule))
    if length % 2:
        return [f"{algorithm.name} adds 16-bit words, but covers an odd number of bytes, {length}"]
    if algorithm.ending is not Ending.TOTAL:
        return []
    faults = []
    if rule.byte_order != algorithm.word_order:
        faults.append(
            f"{algorithm.name} needs byte order {algorithm.word_order}, that of its words"
        )
    before = 0
    for span in rule.covers:
        if span.contains(rule.stored) and (before + rule.stored.start - span.start) % 2:
            faults.append(f"the field {format_span(rule.stored)} does not start at a 16-bit word")
        before += len(span)
    return faults
