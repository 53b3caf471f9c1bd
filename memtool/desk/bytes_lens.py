"""What the bytes screen looks at: one or more images side by side, protected bytes taken out.

The protected bytes are not in what a `Lens` holds: nothing that draws, searches or decodes
can show them. That and where they differ is known, and no more.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from memtool.core.checksums.checksum import ChecksumResult, check_checksum
from memtool.core.comparing.difference import compare_images
from memtool.core.health.agreement import compare_reads, majority_image
from memtool.core.image import Image
from memtool.core.layouts.layout import Layout
from memtool.core.layouts.region import Region, RegionKind
from memtool.core.records.placing import place_in_all
from memtool.core.runs import edges_of
from memtool.core.span import Span, count_addresses, subtract_spans, union_spans
from memtool.core.texts.known_identity import VinFinding, find_vins
from memtool.core.words import count_of
from memtool.errors import InputError
from memtool.lazy import np
from memtool.render.text.difference_text import count_words

if TYPE_CHECKING:
    from memtool.core.runs import Edges

MAJORITY = "="
"""Label of the line that the reads' vote makes."""
FEWEST_VOTERS = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class Side:
    """One image of those that are looked at together."""

    label: str
    """One sign: ``A``, ``B``; the number of a read; `MAJORITY`."""
    name: str
    """As a person knows it."""
    words: str
    """Size and format."""
    sha256: str
    """Of the whole image, as everywhere."""
    image: Image
    """Without its protected bytes, and what the reader could not give."""
    checksums: tuple[ChecksumResult, ...]
    """Of the layout that is shown, in its order."""
    vins: tuple[VinFinding, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Lens:
    """Images side by side, with all that the screen says of them."""

    title: str
    sides: tuple[Side, ...]
    layout: Layout | None
    """In which everything is protected that must not be shown."""
    layout_reason: str
    spans: tuple[Span, ...]
    """What any of the images defines, protected bytes included."""
    hidden: tuple[Span, ...]
    """The protected part of it."""
    differing: Edges
    """Runs that are not the same in all images, cut at the borders of regions."""
    undecided: tuple[Span, ...]
    """Of a vote: where no value has more than half of the reads."""
    answer: str
    """How the images differ, in sentences; of one image nothing."""

    def region_at(self, address: int) -> Region | None:
        """The region that an address lies in."""
        return None if self.layout is None else self.layout.region_at(address)

    def is_hidden(self, address: int) -> bool:
        """Whether the byte there is protected."""
        return lies_in(self.hidden, address)

    def vin_at(self, address: int) -> VinFinding | None:
        """The first VIN of any side that was found around an address."""
        found = (vin for side in self.sides for vin in side.vins)
        return next((vin for vin in found if address in vin.span), None)

    def difference_at(self, address: int) -> tuple[int, Span] | None:
        """The differing run that an address lies in: its number from 1, and its addresses."""
        number = int(self.differing[:, 0].searchsorted(address, "right")) - 1
        if number < 0 or address >= int(self.differing[number, 1]):
            return None
        return number + 1, Span(*self.differing[number].tolist())

    def next_difference(self, address: int) -> int | None:
        """Where the first run behind `address` begins."""
        number = int(self.differing[:, 0].searchsorted(address, "right"))
        return int(self.differing[number, 0]) if number < len(self.differing) else None

    def previous_difference(self, address: int) -> int | None:
        """Where the last run before `address` begins."""
        number = int(self.differing[:, 0].searchsorted(address, "left")) - 1
        return int(self.differing[number, 0]) if number >= 0 else None


def lies_in(spans: Sequence[Span], address: int) -> bool:
    """Whether one of sorted, disjoint spans holds the address."""
    number = bisect_right(spans, address, key=lambda span: span.start) - 1
    return number >= 0 and address in spans[number]


@dataclass(frozen=True, slots=True, kw_only=True)
class Named:
    """An image as it was loaded, with what a person knows it by."""

    name: str
    words: str
    image: Image


def look_at(
    images: Sequence[Named], *, layout: Layout | None, shown: Layout | None, reason: str
) -> Lens:
    """A lens over one image or two.

    Args:
        images: One or two.
        layout: The layout that judges, if there is one.
        shown: The same with everything protected that must not be shown.
        reason: How the layout was chosen, or why there is none.
    """
    answer, differing = "", edges_of(())
    if len(images) > 1:
        first, second = (each.image for each in images)
        found = compare_images(first, second, layout=layout, shown=shown)
        answer = count_words(found)
        alone = (*found.only_in_a, *found.only_in_b)
        for name, spans in (("A", found.only_in_a), ("B", found.only_in_b)):
            if spans:
                answer += f" Only in {name}: {count_of(count_addresses(spans), 'byte')}."
        differing = np.concatenate((found.runs.edges, edges_of(alone)))
        differing = differing[np.argsort(differing[:, 0], kind="stable")]
    return _make(
        [*zip("AB", images, strict=False)],
        shown=shown,
        reason=reason,
        differing=differing,
        undecided=(),
        answer=answer,
    )


def look_at_reads(
    reads: Sequence[Named], *, shown: Layout | None, reason: str, not_read: Sequence[Span] = ()
) -> Lens:
    """A lens over the reads of one memory; three or more with their vote.

    Args:
        reads: At least two.
        shown: The layout, in which everything is protected that must not be shown.
        reason: How the layout was chosen, or why there is none.
        not_read: What the reader could not give: it is not compared.
    """
    images = [each.image.without(not_read) for each in reads]
    agreement = compare_reads(images)
    said = [finding.text for finding in agreement.findings]
    labelled = [(_read_label(number), each) for number, each in enumerate(reads, 1)]
    undecided: tuple[Span, ...] = ()
    if len(reads) >= FEWEST_VOTERS:
        try:
            vote = majority_image([each.image for each in reads])
        except InputError as error:
            said.append(str(error))
        else:
            undecided = subtract_spans(vote.undecided, not_read)
            doubtful = count_addresses(subtract_spans(vote.doubtful, not_read))
            words = (
                f"Majority: {count_of(doubtful, 'byte')} doubtful,"
                f" {count_addresses(undecided):,} of them undecided."
            )
            named = Named(name=f"majority of {len(reads)} reads", words=words, image=vote.image)
            labelled.append((MAJORITY, named))
    return _make(
        labelled,
        shown=shown,
        reason=reason,
        differing=edges_of(agreement.spans),
        undecided=undecided,
        answer=" ".join(said),
        not_read=not_read,
    )


def _read_label(number: int) -> str:
    """One sign for each of up to 35 reads; nobody takes more."""
    return "123456789abcdefghijklmnopqrstuvwxyz"[min(number, 35) - 1]


def _make(
    labelled: Sequence[tuple[str, Named]],
    *,
    shown: Layout | None,
    reason: str,
    differing: Edges,
    undecided: tuple[Span, ...],
    answer: str,
    not_read: Sequence[Span] = (),
) -> Lens:
    images = [each.image for _, each in labelled]
    layout = place_in_all(shown, images)
    hidden = () if layout is None else _spans_of(layout.regions_of(RegionKind.PROTECTED))
    return Lens(
        title=" / ".join(each.name for _, each in labelled),
        sides=tuple(_side(label, each, layout, (*hidden, *not_read)) for label, each in labelled),
        layout=layout,
        layout_reason=reason,
        spans=union_spans(span for image in images for span in image.spans),
        hidden=hidden,
        differing=differing,
        undecided=undecided,
        answer=answer,
    )


def _spans_of(regions: Iterable[Region]) -> tuple[Span, ...]:
    return union_spans(region.span for region in regions)


def _side(label: str, named: Named, layout: Layout | None, left_out: Sequence[Span]) -> Side:
    clean = named.image.without(left_out)
    rules = () if layout is None else layout.checksums
    return Side(
        label=label,
        name=named.name,
        words=named.words,
        sha256=named.image.sha256(),
        image=clean,
        checksums=tuple(check_checksum(named.image, rule) for rule in rules),
        vins=find_vins(clean),
    )
