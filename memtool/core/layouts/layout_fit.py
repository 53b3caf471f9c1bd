"""Does a layout fit an image, and which of several fits best?

Rules
-----
1. A layout fits when size and chip do not speak against it, and when not all the checksums
   that could be checked are wrong. Part numbers never rule a layout out: a layout lists
   those it was seen on, not all there are.
2. A checksum that holds is worth its width in bits, since chance makes it hold once in
   2**width. One over bytes that are all the same is worth nothing: every sum holds there.
3. A checksum whose stored field is blank says nothing: a never-configured module has them.
4. Of two layouts the better one has, in this order: it fits at all, more bits of checksums
   that hold, fewer wrong ones, a part number that it lists, fewer copies that differ, fewer
   faulty fields, more decoded fields, more bytes explained, a person's review. Equal in
   all: equal.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import Enum, auto
from fnmatch import fnmatchcase

from memtool.core.checksums.algorithms import get_algorithm
from memtool.core.checksums.checksum import ChecksumResult, ChecksumRule, check_checksum
from memtool.core.chip import Chip, find_chip
from memtool.core.finding import Finding, Verdict
from memtool.core.image import Image
from memtool.core.layouts.fields import FieldState, is_constant
from memtool.core.layouts.layout import DecodedField, Layout, decode_fields, find_copy_faults
from memtool.core.span import count_addresses, format_span_with_length, intersect_spans


@dataclass(frozen=True, slots=True, kw_only=True)
class LayoutFit:
    """How well one layout explains one image."""

    layout: Layout
    fits: bool
    """Rule 1."""
    size_ok: bool
    """The image defines exactly the layout's addresses."""
    chip_ok: bool | None
    """None: no chip was given, or the layout's is not in the table."""
    part_ok: bool | None
    """None: no part number was given, or the layout lists none."""
    checksums: tuple[ChecksumResult, ...]
    """In the order of the layout."""
    checksums_right: int
    checksums_wrong: int
    checksums_blank: int
    """Wrong, but with a stored field of nothing but erased or zero bytes."""
    checksums_not_checked: int
    evidence_bits: int
    """Rule 2."""
    fields: tuple[DecodedField, ...]
    """Protected ones included, never decoded."""
    fields_decoded: int
    fields_blank: int
    fields_faulty: int
    fields_undefined: int
    copy_faults: tuple[Finding, ...]
    bytes_explained: int
    """Defined bytes of the image that lie in some region."""
    bytes_total: int
    """Defined bytes of the image."""
    reasons: tuple[str, ...]
    """What speaks for and against it, each a sentence with full stop."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LayoutRanking:
    """Several layouts on one image, the best first."""

    fits: tuple[LayoutFit, ...]
    """All that were given; equal ones in the order given."""
    best: tuple[LayoutFit, ...]
    """The one that fits best; several where they are equal; empty where none fits."""
    reason: str
    """Why it is the best, why they are equal, or why none fits: a sentence with full stop."""


def check_fit(
    layout: Layout,
    image: Image,
    *,
    chip: Chip | None = None,
    part_number: str | None = None,
    shown: Layout | None = None,
) -> LayoutFit:
    """Measure how well `layout` explains `image`; no content makes it raise.

    Args:
        layout: Reviewed or not.
        image: Its addresses must be the layout's, all of them and no others, for a fit.
        chip: The chip that the image came from, where it is known.
        part_number: From the module's label. Case and blanks do not matter.
        shown: The layout with everything protected whose fields must not be shown.
    """
    checksums = tuple(check_checksum(image, rule) for rule in layout.checksums)
    weights = [
        _weigh(layout, image, rule, result)
        for rule, result in zip(layout.checksums, checksums, strict=True)
    ]
    count = Counter(weight.said for weight in weights)
    fields = decode_fields(shown or layout, image)
    states = Counter(field.state for field in fields)
    size_ok = image.spans == (layout.span,)
    chip_ok = _chip_ok(layout, chip)
    part_ok = _part_ok(layout, part_number)
    copy_faults = find_copy_faults(layout, image)
    explained = intersect_spans(image.spans, (region.span for region in layout.regions))
    reasons = (
        *_place_reasons(layout, image, size_ok),
        *_chip_reasons(layout, chip, chip_ok),
        *_part_reasons(part_number, part_ok),
        *_checksum_reasons(checksums, count),
        *_field_reasons(fields),
        *(finding.text for finding in copy_faults),
    )
    all_wrong = count[_Said.WRONG] > 0 and count[_Said.RIGHT] == 0
    return LayoutFit(
        layout=layout,
        fits=size_ok and chip_ok is not False and not all_wrong,
        size_ok=size_ok,
        chip_ok=chip_ok,
        part_ok=part_ok,
        checksums=checksums,
        checksums_right=count[_Said.RIGHT],
        checksums_wrong=count[_Said.WRONG],
        checksums_blank=count[_Said.BLANK],
        checksums_not_checked=count[_Said.NOT_CHECKED],
        evidence_bits=sum(weight.bits for weight in weights),
        fields=fields,
        fields_decoded=states[FieldState.DECODED],
        fields_blank=states[FieldState.BLANK],
        fields_faulty=states[FieldState.FAULTY],
        fields_undefined=states[FieldState.UNDEFINED],
        copy_faults=copy_faults,
        bytes_explained=count_addresses(explained),
        bytes_total=image.size,
        reasons=reasons,
    )


def rank_layouts(
    layouts: Sequence[Layout],
    image: Image,
    *,
    chip: Chip | None = None,
    part_number: str | None = None,
) -> LayoutRanking:
    """Order `layouts` by how well they explain `image`, and say what decided. Rule 4."""
    fits = sorted(
        (check_fit(layout, image, chip=chip, part_number=part_number) for layout in layouts),
        key=_merits,
        reverse=True,
    )
    if not fits or not fits[0].fits:
        reason = "There is no layout to choose from." if not fits else _why_none(fits)
        return LayoutRanking(fits=tuple(fits), best=(), reason=reason)
    best = tuple(fit for fit in fits if _merits(fit) == _merits(fits[0]))
    return LayoutRanking(fits=tuple(fits), best=best, reason=_why_best(best, fits))


class _Said(Enum):
    """What one checksum says about the fit."""

    RIGHT = auto()
    WRONG = auto()
    BLANK = auto()
    NOT_CHECKED = auto()


@dataclass(frozen=True, slots=True)
class _Weight:
    said: _Said
    bits: int
    """Evidence; 0 unless it is right."""


def _weigh(layout: Layout, image: Image, rule: ChecksumRule, result: ChecksumResult) -> _Weight:
    """Rules 2 and 3."""
    if result.result is Verdict.NOT_CHECKED:
        return _Weight(_Said.NOT_CHECKED, 0)
    if result.result is Verdict.FAIL:
        blank = is_constant(result.stored, (0x00, layout.erased))
        return _Weight(_Said.BLANK if blank else _Said.WRONG, 0)
    block = b"".join(image.read(span) for span in rule.covers)
    flat = is_constant(block, block[:1])
    return _Weight(_Said.RIGHT, 0 if flat else get_algorithm(rule.algorithm).width)


def _chip_ok(layout: Layout, chip: Chip | None) -> bool | None:
    known = find_chip(layout.chip)
    return None if chip is None or known is None else known.name == chip.name


def _part_ok(layout: Layout, part_number: str | None) -> bool | None:
    if part_number is None or not layout.parts:
        return None
    folded = _folded(part_number)
    return any(fnmatchcase(folded, _folded(pattern)) for pattern in layout.parts)


def _folded(text: str) -> str:
    return "".join(text.upper().split())


def _place_reasons(layout: Layout, image: Image, size_ok: bool) -> list[str]:
    wanted = format_span_with_length(layout.span)
    if size_ok:
        return [f"The image is {wanted}, as the layout says."]
    held = ", ".join(format_span_with_length(span) for span in image.spans[:3]) or "nothing"
    more = ", ..." if len(image.spans) > 3 else ""
    return [f"The layout is for {wanted}, the image holds {held}{more}."]


def _chip_reasons(layout: Layout, chip: Chip | None, chip_ok: bool | None) -> list[str]:
    if chip is None or chip_ok is None:
        return []
    return [
        f"The chip is {chip.name}, as the layout says."
        if chip_ok
        else f"The layout is for the chip {layout.chip}, not for {chip.name}."
    ]


def _part_reasons(part_number: str | None, part_ok: bool | None) -> list[str]:
    if part_ok is None:
        return []
    listed = "is among" if part_ok else "is not among"
    return [f"The part number {part_number} {listed} those that the layout was seen on."]


def _checksum_reasons(checksums: Sequence[ChecksumResult], count: Mapping[_Said, int]) -> list[str]:
    if not checksums:
        return ["The layout names no checksum."]
    total = len(checksums)
    reasons = [f"{count[_Said.RIGHT]} of {total} checksums are right."]
    if count[_Said.WRONG]:
        reasons.append(f"{count[_Said.WRONG]} of {total} checksums are wrong.")
    if count[_Said.BLANK]:
        reasons.append(f"{count[_Said.BLANK]} of {total} are blank and prove nothing.")
    reasons += [
        f"Checksum '{result.name}' was not checked: {result.reason}."
        for result in checksums
        if result.result is Verdict.NOT_CHECKED
    ]
    return reasons


def _field_reasons(fields: Sequence[DecodedField]) -> list[str]:
    return [
        f"Field '{field.name}' does not decode: {field.reason}."
        for field in fields
        if field.state is FieldState.FAULTY
    ]


_CRITERIA = (
    "it fits, the others do not",
    "more bits of its checksums are right",
    "fewer of its checksums are wrong",
    "it lists the part number",
    "fewer of its copies differ",
    "fewer of its fields are faulty",
    "more of its fields decode",
    "it explains more bytes",
    "a person has reviewed it",
)
"""What each place of `_merits` means where it decides."""


def _merits(fit: LayoutFit) -> tuple[int, ...]:
    """Higher is better, the first place weighs most. Rule 4."""
    return (
        int(fit.fits),
        fit.evidence_bits,
        -fit.checksums_wrong,
        {True: 2, None: 1, False: 0}[fit.part_ok],
        -len(fit.copy_faults),
        -fit.fields_faulty,
        fit.fields_decoded,
        fit.bytes_explained,
        int(fit.layout.reviewed),
    )


def _why_none(fits: Sequence[LayoutFit]) -> str:
    listed = "; ".join(f"'{fit.layout.name}': {_against(fit)}" for fit in fits[:3])
    more = "" if len(fits) <= 3 else f"; and {len(fits) - 3} more"
    return f"No layout fits: {listed}{more}."


def _against(fit: LayoutFit) -> str:
    if not fit.size_ok:
        return f"it is for {format_span_with_length(fit.layout.span)}"
    if fit.chip_ok is False:
        return f"it is for the chip {fit.layout.chip}"
    return "all of its checksums are wrong"


def _why_best(best: Sequence[LayoutFit], fits: Sequence[LayoutFit]) -> str:
    names = " and ".join(f"'{fit.layout.name}'" for fit in best)
    if len(best) > 1:
        return (
            f"{names} are equal: the same size, the same evidence of checksums, as many"
            " decoded fields and explained bytes; choose one with --layout."
        )
    if len(fits) == 1:
        return f"{names} is the only layout, and it fits."
    pairs = zip(_merits(best[0]), _merits(fits[1]), strict=True)
    place = next(index for index, (ours, theirs) in enumerate(pairs) if ours != theirs)
    if place == 0:
        return f"{names} is the only layout that fits."
    return f"{names} fits better than '{fits[1].layout.name}': {_CRITERIA[place]}."
