"""What identity a donor holds before anything is done: none, a stranger's, the vehicle's, several.

Blank is what modules of the trade are found with: FF, 00, the digit 0, blanks, or what the
layout says of the region (common practice, no source).
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from memtool.core.image import Image
from memtool.core.layouts.fields import is_blank, is_constant, undo_stored_form
from memtool.core.layouts.layout import Layout
from memtool.core.layouts.region import Region, RegionKind
from memtool.core.span import Span
from memtool.core.texts.known_identity import VinFinding, find_vins
from memtool.core.texts.vin import CheckDigitState, mask_vin

_FILLERS = (0xFF, 0x00, ord("0"), ord(" "))


class DonorState(StrEnum):
    """What the donor's identity is, as far as one memory tells."""

    BLANK = "blank"
    """The layout's places for an identity are blank, and no VIN lies elsewhere."""
    NOTHING_FOUND = "nothing-found"
    """No VIN was found, and no layout says where one would lie."""
    STRANGER = "stranger"
    """One VIN that is not the vehicle's."""
    SEVERAL = "several"
    """VINs of two or more other vehicles."""
    VEHICLE = "vehicle"
    """The vehicle's own VIN."""
    BOTH = "both"
    """The vehicle's VIN and another vehicle's, as a setup leaves them that was broken off."""
    UNCLEAR = "unclear"
    """Text beside a VIN, which read another way is the vehicle's."""


@dataclass(frozen=True, slots=True, kw_only=True)
class DonorIdentity:
    """What one memory of the donor tells of its identity."""

    state: DonorState
    text: str
    """What was found, one sentence or two, with full stops; other vehicles' VINs masked."""
    advice: str
    """What to do next, a sentence with full stop; empty where the job goes on as usual."""
    spans: tuple[Span, ...]
    is_done: bool = False
    """Whether nothing is to be blanked: identity, flags and counters are blank already."""

    @property
    def sentence(self) -> str:
        """What was found and what to do."""
        return f"{self.text} {self.advice}".rstrip()


def find_donor_identity(
    donor: Image, *, vehicle_vin: str | None, layout: Layout | None
) -> DonorIdentity:
    """Look at one memory of the donor.

    Args:
        donor: Its image.
        vehicle_vin: The order's; None: not on record.
        layout: Where an identity would lie; None: unknown.
    """
    found = find_vins(donor)
    own = [vin for vin in found if vin.text == vehicle_vin]
    others = sorted({vin.text for vin in found if vehicle_vin not in vin.texts})
    if own and others:
        shown = ", ".join(map(mask_vin, others))
        # Whether it is the donor is asked where the modules are told apart, see `whose`.
        return _told(
            DonorState.BOTH, f"The donor holds the vehicle's VIN beside {shown}.", "", found
        )
    if own:
        return _told(
            DonorState.VEHICLE,
            "The donor already holds the vehicle's own VIN.",
            "Make sure which module is which; a module that was set up for this vehicle before"
            " needs no blanking: 'benchimage check READ --stage after-setup'.",
            own,
        )
    unclear = [vin for vin in found if vehicle_vin in vin.texts]
    if unclear:
        return _told(
            DonorState.UNCLEAR,
            "There is text right beside a VIN in the donor. Read another way, it is the vehicle's "
            "own VIN: check where the VIN begins.",
            "",
            unclear,
        )
    if not found:
        return _without_vin(donor, layout)
    texts = sorted({vin.text for vin in found})
    if len(texts) > 1:
        shown = ", ".join(mask_vin(text) for text in texts)
        return _told(
            DonorState.SEVERAL,
            f"The donor holds {len(texts)} different VINs: {shown}. It was in two vehicles, or it"
            " was changed before.",
            "Ask where it came from; 'benchimage blank donor' must name or cover each of them.",
            found,
        )
    return _stranger(found)


def _stranger(found: tuple[VinFinding, ...]) -> DonorIdentity:
    first = found[0]
    shown, copies = mask_vin(first.text), "copy" if len(found) == 1 else "copies"
    text = f"The donor holds {len(found)} {copies} of another VIN: {shown}."
    advice = ""
    if first.check_digit is CheckDigitState.INVALID:
        text += " Its check digit is wrong."
        advice = "One of its bytes may be misread or changed: read the donor once more."
    elif first.check_digit is CheckDigitState.NOT_REQUIRED and len(found) == 1:
        text += " It needs no check digit, so a wrong letter would not show."
        advice = "Compare it with the donor's label or papers."
    return _told(DonorState.STRANGER, text, advice, found)


def _without_vin(donor: Image, layout: Layout | None) -> DonorIdentity:
    places = [] if layout is None else list(layout.regions_of(RegionKind.VEHICLE_IDENTITY))
    if layout is None or not places:
        return _told(
            DonorState.NOTHING_FOUND,
            "No VIN was found in the donor.",
            "It is already blank, keeps its VIN in another memory, or stores it in a form that "
            "only a layout can show: 'benchimage inspect donor --deep' looks further.",
        )
    blank = [place for place in places if _holds_nothing(place, donor, layout)]
    if len(blank) < len(places):
        others = ", ".join(f"'{place.name}'" for place in places if place not in blank)
        return _told(
            DonorState.NOTHING_FOUND,
            f"No VIN was found in the donor, and these places are not blank: {others}.",
            "Look at them with 'benchimage inspect donor': the layout may be another module's.",
        )
    left = [
        region.name
        for region in layout.regions_of(RegionKind.STATE)
        if not _holds_nothing(region, donor, layout)
    ]
    where = ", ".join(f"'{place.name}' ({_filler(place, donor)})" for place in places)
    rest = f" Flags and counters are not: {', '.join(map(repr, left))}." if left else ""
    advice = (
        "'benchimage blank donor --dry-run' shows whether they are to be blanked."
        if left
        else "There is nothing to blank here: fit it, run the maker's procedure, then 'benchimage"
        " check READ --stage after-setup'."
    )
    text = f"The donor is already blank: {where}.{rest}"
    return DonorIdentity(
        state=DonorState.BLANK,
        text=text,
        advice=advice,
        spans=tuple(place.span for place in places),
        is_done=not left,
    )


def _holds_nothing(region: Region, image: Image, layout: Layout) -> bool:
    if not image.covers(region.span):
        return False
    raw = image.read(region.span)
    plain = undo_stored_form(region, raw)
    return is_blank(region, raw, erased=layout.erased) or any(
        each is not None and is_constant(each, _FILLERS) for each in (raw, plain)
    )


def _filler(region: Region, image: Image) -> str:
    raw = image.read(region.span)
    if not is_constant(raw, _FILLERS):
        return "blank as its layout says"
    return {0xFF: "FF", 0x00: "00", ord("0"): "the digit 0", ord(" "): "blanks"}[raw[0]]


def _told(
    state: DonorState, text: str, advice: str, found: list[VinFinding] | tuple[VinFinding, ...] = ()
) -> DonorIdentity:
    spans = tuple(vin.span for vin in found)
    return DonorIdentity(state=state, text=text, advice=advice, spans=spans)
