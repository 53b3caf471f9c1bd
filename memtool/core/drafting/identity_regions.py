"""From sites of an identity to regions: names, copies, and what blank looks like there."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

from memtool.core.drafting.assembly import Assembly
from memtool.core.drafting.draft import Confidence
from memtool.core.drafting.identity_guess import FoundIdentity, Site, region_shape
from memtool.core.image import Image
from memtool.core.layouts.layout import FieldType, RegionKind
from memtool.core.layouts.region import LONGEST_BLANK_PATTERN, BlankSource
from memtool.core.span import Span
from memtool.core.texts.known_identity import Coding
from memtool.core.words import listed

Blank = BlankSource | bytes


def add_identity(assembly: Assembly, found: FoundIdentity) -> None:
    """Add a region, or several, for every site."""
    images = [module.reads[0] for module in assembly.survey.configured]
    whole: list[tuple[Site, str]] = []
    slots = _record_slots(found.sites)
    for site in found.sites:
        if not all(assembly.claims.is_free(piece) for piece in site.pieces):
            continue
        # Only of what was added already: a copy names an earlier region.
        source = next((name for other, name in whole if _always_equal(site, other, images)), None)
        evidence = _evidence(assembly, site, slots.get(site, 0))
        confidence = _confidence(site, len(images))
        if region_shape(site, images):
            blank, sentence = blank_at(assembly, site.span)
            guess = assembly.add(
                _name_of(site, first=not whole),
                site.span,
                RegionKind.VEHICLE_IDENTITY,
                type_=FieldType.VIN if site.is_whole else FieldType.ASCII,
                stored_as=site.stored_as,
                copy_of=source if site.is_whole else None,
                blank_to=blank,
                evidence=[*evidence, sentence],
                confidence=confidence,
                at=bool(whole) or not site.is_whole,
            )
            if site.is_whole and len(site.texts) == len(images):
                whole.append((site, guess.region.name))
        else:
            _add_pieces(assembly, site, evidence, confidence)


def blank_at(assembly: Assembly, span: Span) -> tuple[Blank, str]:
    """What the span holds when blank, and the sentence that says why."""
    survey = assembly.survey
    held = set(survey.reference_at(span))
    if not held:
        return (
            BlankSource.ERASED,
            (
                "How a blank module looks is not known: no never-configured module was given, so "
                "'erased' is a guess."
            ),
        )
    if len(held) > 1:
        return (
            BlankSource.REFERENCE,
            "The references differ here; the one given to 'blank' decides.",
        )

    raw = held.pop()
    if raw == bytes([survey.erased]) * len(raw):
        return BlankSource.ERASED, "The reference is erased here."
    # The shortest pattern that makes it up.
    for length in range(1, LONGEST_BLANK_PATTERN + 1):
        if len(raw) % length == 0 and raw[:length] * (len(raw) // length) == raw:
            return raw[:length], f"The reference holds {raw[:length].hex(' ').upper()} here."
    return BlankSource.REFERENCE, "The reference holds a pattern of its own here."


def _add_pieces(
    assembly: Assembly, site: Site, evidence: Sequence[str], confidence: Confidence
) -> None:
    """Rule 5: a region for each run of bytes, each as exact as a layout can be."""
    name = _name_of(site, first=True)
    whole_bytes = site.mask == b"\xff" * len(site.mask)
    for piece, stored_as in _cut(site):
        blank, sentence = blank_at(assembly, piece)
        text = site.coding is Coding.TEXT and whole_bytes
        assembly.add(
            f"{name}, part" if len(site.pieces) > 1 else name,
            piece,
            RegionKind.VEHICLE_IDENTITY,
            type_=FieldType.ASCII if text and stored_as != "bytes" else FieldType.BYTES,
            stored_as="plain" if stored_as == "bytes" else stored_as,
            blank_to=blank,
            evidence=[*evidence, sentence],
            confidence=confidence,
        )


def _cut(site: Site) -> list[tuple[Span, str]]:
    """The runs of a site, words apart from single bytes, each with the form to read it by."""
    cut: list[tuple[Span, str]] = []
    for piece in site.pieces:
        if site.stored_as in ("plain", "split"):
            cut.append((piece, "plain"))
        elif site.stored_as in ("swapped-16", "swapped-16+inverted"):
            # Words of the whole memory: a text that begins or ends inside one leaves half of it.
            inner = Span(piece.start, piece.end - len(piece) % 2) if len(piece) > 1 else None
            if inner is not None:
                cut.append((inner, site.stored_as))
            rest = piece.start if inner is None else inner.end
            if rest < piece.end:
                plain = site.stored_as.removeprefix("swapped-16").lstrip("+") or "plain"
                cut.append((Span(rest, piece.end), plain))
        else:
            cut.append((piece, "bytes"))
    return cut


def _name_of(site: Site, *, first: bool) -> str:
    if not site.is_whole:
        return f"VIN, {site.part.value.replace('-', ' ')}"
    return "VIN" if first else "VIN again"


def _evidence(assembly: Assembly, site: Site, slots: int) -> list[str]:
    configured = assembly.survey.configured
    names = [configured[number].name for number, _ in site.texts]
    whose = "a VIN" if site.is_whole else f"the {site.part.value.replace('-', ' ')} of its VIN"
    form = "" if site.stored_as == "plain" else f", stored as {site.stored_as}"
    if site.coding is not Coding.TEXT:
        form = f", as {'BCD digits' if site.coding is Coding.BCD else 'a binary number'}"
    if len(configured) == 1:
        who = "The module"
    elif len(names) == len(configured):
        who = f"Each of the {len(configured)} configured modules"
    else:
        who = f"Each of {len(names)} of the {len(configured)} configured modules"
    sentences = [f"{who} holds {whose} here{form}."]
    if site.is_whole:
        texts = [text for _, text in site.texts]
        differing = sum(len({text[index] for text in texts}) > 1 for index in range(17))
        if 0 < differing < 17:
            sentences.append(
                f"Only {differing} of its 17 characters differ between the modules;"
                " all 17 belong to it."
            )
    if slots:
        sentences.append(
            f"One of {slots} slots at equal distances, filled one after the other:"
            f" empty in {listed(_empty_in(assembly, site)) or 'none'}."
        )
    return sentences


def _empty_in(assembly: Assembly, site: Site) -> list[str]:
    holders = {number for number, _ in site.texts}
    modules = assembly.survey.configured
    return [module.name for number, module in enumerate(modules) if number not in holders]


def _confidence(site: Site, modules: int) -> Confidence:
    if site.is_whole and (len(site.texts) > 1 or modules == 1):
        return Confidence.NEARLY_CERTAIN
    return Confidence.LIKELY


def _always_equal(site: Site, other: Site, images: Sequence[Image]) -> bool:
    """Whether every module that holds a VIN here holds the same one there, and none less."""
    if not (site.is_whole and other.is_whole):
        return False
    return len(site.texts) == len(images) and site.texts == other.texts


def _record_slots(sites: Sequence[Site]) -> dict[Site, int]:
    """Sites that are slots of append-only records: one form, equal distances, not all filled."""
    found: dict[Site, int] = {}
    by_form: dict[str, list[Site]] = {}
    for site in sites:
        if site.is_whole:
            by_form.setdefault(site.stored_as, []).append(site)
    for group in by_form.values():
        for first, second in pairwise(group):
            step = second.span.start - first.span.start
            # From each pair on, as far as the same distance leads from one site to the next.
            starts = {site.span.start: site for site in group}
            chain = [first]
            while chain[-1].span.start + step in starts:
                chain.append(starts[chain[-1].span.start + step])
            counts = [len(site.texts) for site in chain]
            # Slots are filled from the first on; equal counts everywhere would be plain copies.
            shrinking = counts == sorted(counts, reverse=True) and counts[0] > counts[-1]
            if shrinking:
                for site in chain:
                    found[site] = max(found.get(site, 0), len(chain))
    return found
