"""How the read is filled: information, no judgement, apart from what a layout expects."""

from __future__ import annotations

from collections import Counter
from typing import TYPE_CHECKING

from memtool.core.finding import Finding, Severity
from memtool.core.health.evidence import LISTED_SPANS, Evidence
from memtool.core.health.readable import find_certain_vins
from memtool.core.image import Image
from memtool.core.layouts.region import RegionKind
from memtool.core.runs import defined_bytes, runs_of_mask
from memtool.core.span import Span, format_address, format_span_with_length
from memtool.lazy import np

if TYPE_CHECKING:
    from memtool.core.runs import Bytes, Mask

STRIP_CELLS = 32
_STRIP_SIGNS = "_12345678"
"""One sign a cell: ``_`` all bytes alike, else the bits of information a byte carries."""


def compute_entropy_strip(image: Image, cells: int = STRIP_CELLS) -> tuple[float, ...]:
    """Bits of information a byte carries (0 to 8), for equal parts of the defined bytes.

    Shannon's entropy of the byte values of each part; a part of n bytes has at most
    log2(n). Fewer parts than `cells` where there are fewer bytes.

    Source: C. E. Shannon, "A Mathematical Theory of Communication", 1948, section 6.

    Raises:
        ValueError: `cells` is below 1.
    """
    if cells < 1:
        raise ValueError(f"a strip of {cells} cells")
    data = defined_bytes(image)
    found = []
    for part in np.array_split(data, min(cells, len(data))) if len(data) else ():
        # `array_split` cuts as evenly as it can: parts differ by one byte at most.
        counts = np.bincount(part, minlength=256)
        shares = counts[counts > 0] / len(part)
        # Minus zero would be shown with its sign.
        found.append(abs(float(-(shares * np.log2(shares)).sum())))
    return tuple(found)


def tell_fill(evidence: Evidence) -> tuple[Finding, ...]:
    """Which part is erased, and where information stands."""
    strip = compute_entropy_strip(evidence.image)
    erased, cleared = (int(evidence.counts[value]) for value in (0xFF, 0x00))
    # Rounded up: a sign of 1 means anything at all above nothing.
    signs = "".join(_STRIP_SIGNS[min(8, int(cell + 0.999))] for cell in strip)
    text = (
        f"{_percent(erased, evidence.size)} of the bytes are FF, "
        f"{_percent(cleared, evidence.size)} are 00; bits of information per byte from start to "
        f"end (_ none, 8 most): {signs}"
    )
    return (evidence.finding("content-fill", Severity.INFO, f"{text}."),)


def _percent(part: int, whole: int) -> str:
    share = 100 * part / whole
    return f"{share:.1f} %" if 0 < share < 10 else f"{share:.0f} %"


def tell_repeats(evidence: Evidence) -> tuple[Finding, ...]:
    """The most frequent distance at which filled blocks repeat, and where copies disagree."""
    data = evidence.data
    # At most 4,096 to 8,192 blocks, so that large images cost no more than a sort of those.
    block = max(16, 1 << (evidence.size // 4096).bit_length())
    if len(evidence.image.segments) != 1 or evidence.size < 4 * block:
        return ()
    distance, count = _commonest_distance(data, block)
    if not count:
        return ()
    start = evidence.image.segments[0].start
    equal: Mask = np.equal(data[:-distance], data[distance:])
    spans, doubts = [], []
    for first, end in _copies(data, equal, block, distance):
        spans += [Span(start + first, start + end)]
        doubts += [
            Span(start + first + a, start + first + b) for a, b in runs_of_mask(~equal[first:end])
        ]
    if not spans:
        return ()
    length = sum(len(span) for span in spans)
    said = f"{length:,} bytes appear again {distance:,} bytes later"
    if not doubts:
        text = f"The same {said} (identical copies)."
        return (
            evidence.finding("content-copies", Severity.INFO, text, tuple(spans[:LISTED_SPANS])),
        )
    odd = _odd_one(evidence, distance, doubts)
    first_doubt = format_span_with_length(doubts[0])
    more = f" and {len(doubts) - 1} more places" if len(doubts) > 1 else ""
    text = (
        f"{said}, but the copies disagree at {first_doubt}{more}{odd}: counters, or one copy is "
        "damaged."
    )
    return (
        evidence.finding(
            "content-copies-disagree", Severity.INFO, text, tuple(doubts[:LISTED_SPANS])
        ),
    )


def _commonest_distance(data: Bytes, block: int) -> tuple[int, int]:
    """(distance in bytes, how many filled blocks repeat there first); (0, 0) where none do."""
    # Only whole blocks at multiples of their length: copies lie at such distances.
    whole = data[: len(data) // block * block].reshape(-1, block)
    filled = ((whole != 0xFF) & (whole != 0)).sum(axis=1) * 2 >= block
    plain = (whole == whole[:, :1]).all(axis=1)
    places = np.flatnonzero(filled & ~plain)
    content = whole.tobytes()
    # How often each distance lies between a block and the nearest equal one in front of it.
    counted: Counter[int] = Counter()
    latest: dict[bytes, int] = {}
    for at in (places * block).tolist():
        held = content[at : at + block]
        if held in latest:
            counted[at - latest[held]] += 1
        latest[held] = at
    if not counted:
        return 0, 0
    # The commonest one wins, then the shortest: hence the minus.
    count, distance = max((count, -distance) for distance, count in counted.items())
    return -distance, count


_BREAK = 4
"""Bytes in a row in which copies may disagree and still be copies."""


def _copies(data: Bytes, equal: Mask, block: int, distance: int) -> list[tuple[int, int]]:
    """Runs of filled bytes that are equal at the distance, apart from short breaks."""
    filled = (data != 0xFF) & (data != 0)
    # Filled in one copy is enough: the other may have been cleared in part.
    either = filled[:-distance] | filled[distance:]
    runs: list[list[int]] = []
    for first, end in runs_of_mask(equal & either, least=4):
        if runs and (
            first - runs[-1][1] <= _BREAK or bool(equal[runs[-1][1] + _BREAK : first].all())
        ):
            runs[-1][1] = end
        else:
            runs.append([first, end])
    found = []
    for first, end in runs:
        content = int((equal[first:end] & either[first:end]).sum())
        if content >= block and 4 * content >= end - first:
            found.append((first, end))
    return found


def _odd_one(evidence: Evidence, distance: int, doubts: list[Span]) -> str:
    """With a third copy the majority tells which one differs."""
    image, odd = evidence.image, set()
    for span in doubts:
        copies = [Span(span.start + n * distance, span.end + n * distance) for n in range(3)]
        # The doubt may lie between the first and second copy, or between the second and third.
        before = span.start - distance
        if before >= 0:
            copies.insert(0, Span(before, before + len(span)))
        contents = [image.read(copy) for copy in copies if image.covers(copy)][:3]
        for number, content in enumerate(contents, 1):
            if len(contents) == 3 and contents.count(content) == 1 and len(set(contents)) == 2:
                odd.add(number)
    if len(odd) != 1:
        return ""
    return f" (of three, copy {odd.pop()} differs from the others)"


_MUST_BE_FILLED = {
    RegionKind.MODULE_IDENTITY,
    RegionKind.CONFIGURATION,
    RegionKind.CALIBRATION,
    RegionKind.CODE,
    RegionKind.PROTECTED,
}
"""Kinds that no working module has erased. A VIN or state may well be erased."""


def find_erased_regions(evidence: Evidence) -> tuple[Finding, ...]:
    """Regions that are erased although modules of this layout need them."""
    layout = evidence.layout
    if layout is None:
        return ()
    erased = [
        region
        for region in layout.regions
        if region.kind in _MUST_BE_FILLED
        and evidence.image.covers(region.span)
        and set(evidence.image.read(region.span)) == {layout.erased}
    ]
    if not erased:
        return ()
    names = ", ".join(f"'{region.name}'" for region in erased[:3])
    more = f" and {len(erased) - 3} more" if len(erased) > 3 else ""
    many = len(erased) > 1
    text = (
        f"{names}{more} {'are' if many else 'is'} erased, where a working module holds "
        f"{erased[0].kind} data: a partly failed read, a cleared module, or the wrong layout."
    )
    spans = tuple(region.span for region in erased)
    return (evidence.finding("region-erased", Severity.WARNING, text, spans),)


def find_identity_in_new(evidence: Evidence) -> tuple[Finding, ...]:
    """A VIN in a module that is said to have never been configured."""
    if not evidence.claimed_new:
        return ()
    found = []
    for segment in evidence.image.segments:
        for text in sorted({*find_certain_vins(segment.data), *evidence.vin_texts}):
            offset = segment.data.find(text.encode("ascii", "replace"))
            if text and offset >= 0:
                start = segment.start + offset
                found.append(Span(start, start + len(text)))
    if not found:
        return ()
    text = (
        f"The module is said to be new, but holds a VIN at {format_address(found[0].start)}: it "
        "was configured before; treat it as used, and ask where it came from."
    )
    spans = tuple(sorted(found))
    return (evidence.finding("identity-in-new", Severity.WARNING, text, spans),)
