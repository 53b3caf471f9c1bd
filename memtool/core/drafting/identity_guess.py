"""Vehicle identity: every place that holds a VIN or the end of one, always whole width.

Rules
-----
1. A module's VINs are the one that is known and those that are found by their structure. The
   main one is the known one, else the one that is found most often. Another one counts
   only in plain form or in one that the main one has: serial and part numbers side by side
   look like a VIN in some order now and then.
2. A site is the bytes that some module's VIN occupies in one stored form. One
   module is enough: an append-only record is empty in others.
3. The end of a VIN alone (last 8, 6 or 5) is a site where two modules with different ends
   hold it in the same form, or where chance makes less than one in a million.
4. Of sites that share bytes the one with more modules is kept, then the longer text.
5. A site becomes one region where a layout can say so: its stored form undone gives the
   text, and nothing foreign is blanked with it. Otherwise each of its runs is a region.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Sequence
from dataclasses import dataclass

from memtool.core.drafting.draft import ModuleReads
from memtool.core.image import Image
from memtool.core.span import Span
from memtool.core.texts.chance import REPORTED_BELOW
from memtool.core.texts.known_identity import Coding, Part, find_identity, find_vins
from memtool.core.texts.stored_forms import parse_stored_form

# Wholes are believed as the search reports them; tails are short, and a module has many numbers.
_TELLING_TAIL = 1e-6


@dataclass(frozen=True, slots=True)
class Site:
    """Bytes that hold an identity in one stored form."""

    pieces: tuple[Span, ...]
    mask: bytes
    stored_as: str
    part: Part
    coding: Coding
    texts: tuple[tuple[int, str], ...]
    """(number of the module among the configured ones, the whole VIN that it holds here)."""

    @property
    def span(self) -> Span:
        """From the first to the last byte."""
        return Span(self.pieces[0].start, self.pieces[-1].end)

    @property
    def is_whole(self) -> bool:
        """Whether all seventeen characters are here."""
        return self.part is Part.WHOLE


@dataclass(frozen=True, slots=True)
class FoundIdentity:
    """All sites of all modules, and what each module's VIN seems to be."""

    sites: tuple[Site, ...]
    """By address; no two share a byte but at packed borders."""
    vins: tuple[str | None, ...]
    """Of each configured module, in order; None where none is known or found."""
    word_swapped: bool
    """All whole texts lie in exchanged words, some with a foreign byte in its last word."""


_Key = tuple[tuple[Span, ...], bytes, str, Part, Coding]


def find_sites(modules: Sequence[ModuleReads]) -> FoundIdentity:
    """Search the first read of each configured module."""
    found: dict[_Key, dict[int, str]] = defaultdict(dict)
    chances: dict[_Key, float] = {}
    vins: list[str | None] = []
    for number, module in enumerate(modules):
        image = module.reads[0]
        main, texts = _texts_of(module)
        vins.append(main)
        # `texts` begins with the main one, so its forms are known before the others are asked.
        forms = {"plain"}
        for text in texts:
            for match in find_identity(image, text, parts=text == main):
                if match.part is Part.WHOLE and text == main:
                    forms.add(match.stored_as)
                elif text != main and match.stored_as not in forms:
                    continue
                key = (match.pieces, match.mask, match.stored_as, match.part, match.coding)
                # The module in which it tells most decides.
                chances[key] = min(chances.get(key, 1.0), match.expected_by_chance)
                # A tail is asked about all modules together below, so it may be weak in each.
                if match.expected_by_chance < REPORTED_BELOW or match.part is not Part.WHOLE:
                    found[key].setdefault(number, text)
    sites = [
        Site(*key, texts=tuple(sorted(holders.items())))
        for key, holders in found.items()
        if key[3] is Part.WHOLE or _is_telling_tail(key[3], holders, chances[key])
    ]
    kept = _without_overlaps(sites)
    return FoundIdentity(sites=kept, vins=tuple(vins), word_swapped=_is_word_swapped(kept))


def region_shape(site: Site, images: Sequence[Image]) -> bool:
    """Whether one region of the site's span and form says exactly what the site is."""
    if site.stored_as == "split" or site.coding is not Coding.TEXT:
        return False
    form = parse_stored_form(site.stored_as)
    span = site.span
    # Bit by bit: a region that blanks a byte more, or a bit, would take something foreign with it.
    wanted = dict(zip(_addresses(site), site.mask, strict=True))
    mask = form.occupied_mask(len(span))
    if any(wanted.get(span.start + offset, 0) != bits for offset, bits in enumerate(mask)):
        return False
    for number, text in site.texts:
        # Latin-1 gives every byte a character, so nothing here can fail; upper, as VINs are
        # compared.
        plain = form.undo(images[number].read(span)).decode("latin-1").upper()
        if plain != _part_of(text, site.part):
            return False
    return True


def _part_of(text: str, part: Part) -> str:
    return text if part is Part.WHOLE else text[-int(part.value.rpartition("-")[2]) :]


def _addresses(site: Site) -> list[int]:
    return [address for piece in site.pieces for address in range(piece.start, piece.end)]


def _texts_of(module: ModuleReads) -> tuple[str | None, tuple[str, ...]]:
    """The main VIN and all of them. Rule 1."""
    image = module.reads[0]
    count = Counter(finding.text for finding in find_vins(image))
    texts = list(count)
    if module.vin is not None:
        known = module.vin.strip().upper()
        return known, (known, *(text for text in texts if text != known))
    if not texts:
        return None, ()
    # The same text may lie in forms that are only searched for a known one.
    whole = {
        text: sum(match.part is Part.WHOLE for match in find_identity(image, text, parts=False))
        for text in texts
    }
    plain = {finding.text for finding in find_vins(image) if finding.stored_as == "plain"}
    main = max(texts, key=lambda text: (whole[text], text in plain, -texts.index(text)))
    return main, (main, *(text for text in texts if text != main))


def _is_telling_tail(part: Part, holders: dict[int, str], chance: float) -> bool:
    """Rule 3."""
    tails = {_part_of(text, part) for text in holders.values()}
    return len(tails) > 1 or chance < _TELLING_TAIL


def _without_overlaps(sites: Sequence[Site]) -> tuple[Site, ...]:
    """Rule 4."""
    # Greedy is enough: sites that share bytes are readings of the same text, two or three.
    order = sorted(
        sites,
        key=lambda site: (
            not site.is_whole,
            -len(site.texts),
            list(Part).index(site.part),
            site.stored_as.count("+"),
            site.span,
        ),
    )
    kept: list[Site] = []
    owned: dict[int, int] = {}
    for site in order:
        cells = dict(zip(_addresses(site), site.mask, strict=True))
        # Packed texts side by side share a byte, but never a bit of it.
        if any(owned.get(address, 0) & mask for address, mask in cells.items()):
            continue
        for address, mask in cells.items():
            owned[address] = owned.get(address, 0) | mask
        kept.append(site)
    return tuple(sorted(kept, key=lambda site: site.span))


def _is_word_swapped(sites: Sequence[Site]) -> bool:
    whole = [site for site in sites if site.is_whole]
    swapped = [site for site in whole if site.stored_as.startswith("swapped-16")]
    # A text of odd length in swapped words leaves a foreign byte in its last word.
    torn = any(len(site.pieces) > 1 for site in swapped)
    spaced = ("every-2", "utf-16")
    others = [s for s in whole if s not in swapped and not s.stored_as.startswith(spaced)]
    return torn and not others
