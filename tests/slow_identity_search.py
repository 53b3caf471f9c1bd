"""A second search for a known identity: slow, obvious, without memtool.

Every start in every form is tried by reading the text character by character.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator

from tests.stored_texts import ENCODERS, PAIRED_FORMS, SINGLE_FORMS

Cells = tuple[tuple[int, int], ...]
"""(offset, bits), by offset."""
Hit = tuple[str, str, Cells]
"""Part, stored form, cells."""

_WIDE = ("utf-16-be", "utf-16-le")
_FORMS = (
    *("plain", "lower-case", "utf-16"),
    *(form for form in SINGLE_FORMS if form not in ("plain", "lower-case", "split", *_WIDE)),
    *PAIRED_FORMS,
)
"""In the order in which a form wins over another in the same bytes: UTF-16 says more about its
zeros than a text in every second byte does."""


_HIGH_FIRST = [f"{byte:08b}" for byte in range(256)]
_LOW_FIRST = [bits[::-1] for bits in _HIGH_FIRST]


def search_slowly(image: bytes, identity: str) -> list[Hit]:
    """All texts of the identity and its tails, without what lies inside an earlier hit."""
    parts = [("whole", identity)]
    parts += [(f"last-{size}", identity[-size:]) for size in (8, 6, 5) if size < len(identity)]
    kept: list[Hit] = []
    for part, text in parts:
        for form in _FORMS:
            names = _WIDE if form == "utf-16" else (form,)
            found = {hit for name in names for hit in _in_form(image, text, name)}
            hits = sorted(found, key=_bit_alone_and_place)
            for name, cells, _ in hits:
                offsets = {offset for offset, _ in cells}
                shared = [len(offsets & {offset for offset, _ in hit[2]}) for hit in kept]
                if not shared or 2 * max(shared) <= len(offsets):
                    kept.append((part, name, cells))
    return kept


def _bit_alone_and_place(hit: tuple[str, Cells, bool]) -> tuple[str, int, bool, Cells]:
    """Of readings in one form: the lower bit offset, whole words, the lower address.

    Where UTF-16 lies among zeros its units begin at even addresses.
    """
    name, cells, alone = hit
    odd = cells[0][0] % 2 if name.startswith("utf-16") else 0
    return name.partition("@")[2], odd, alone, cells


def _in_form(image: bytes, text: str, form: str) -> Iterator[tuple[str, Cells, bool]]:
    first, _, second = form.partition("+")
    unit = {"swapped-16": 2, "swapped-32": 4}.get(first, 1)
    inner = (second or "plain") if unit > 1 else form
    if unit == 1:
        for hit in _in_order(image, text, inner, lambda place: place, len(image), ""):
            yield (*hit, False)
        return
    for phase in range(unit):
        size = (len(image) - phase) // unit * unit

        def place_of(place: int, phase: int = phase) -> int:
            return phase + place // unit * unit + unit - 1 - place % unit

        for hit in _in_order(image, text, inner, place_of, size, first):
            yield (*hit, False)
    for length in range(1, len(image) + 1):
        # Fields that were swapped by themselves, their last short word too.
        if length % unit and length == _stored_length(text, inner, length):
            for start in range(len(image) - length + 1):
                whole = length - length % unit

                def place_alone(
                    place: int, start: int = start, whole: int = whole, end: int = start + length
                ) -> int:
                    if place < whole:
                        return start + place // unit * unit + unit - 1 - place % unit
                    return end - 1 - (place - whole)

                for hit in _in_order(image, text, inner, place_alone, length, first, alone=True):
                    yield (*hit, True)


def _stored_length(text: str, inner: str, length: int) -> int:
    if not inner.startswith("packed"):
        return len(text)
    bits = int(inner[7]) * len(text)
    return length if (bits + 7) // 8 <= length <= (bits + 14) // 8 else 0


def _in_order(
    image: bytes,
    text: str,
    form: str,
    place_of: Callable[[int], int],
    size: int,
    before: str,
    alone: bool = False,
) -> Iterator[tuple[str, Cells]]:
    """Hits in bytes whose order `place_of` undoes; `alone`: they fill it from end to end."""
    view = bytes(image[place_of(place)] for place in range(size))
    if form.startswith("packed"):
        hits = _packed(view, text, form, alone)
    else:
        hits = _spaced(view, text, form)
    for name, cells in hits:
        full = name if not before else before if name == "plain" else f"{before}+{name}"
        yield full, tuple(sorted((place_of(place), bits) for place, bits in cells))


def _packed(view: bytes, text: str, form: str, alone: bool) -> Iterator[tuple[str, Cells]]:
    width, low_first = int(form[7]), form.endswith("lsb")
    length = width * len(text)
    table = _LOW_FIRST if low_first else _HIGH_FIRST
    stream = "".join(table[byte] for byte in view)
    wanted = ""
    for character in text:
        code = ord(character) - (0x20 if width == 6 else 0)
        bits = f"{code:0{width}b}"
        wanted += bits[::-1] if low_first else bits
    if wanted not in stream:
        return
    for first in range(len(stream) - length + 1):
        if alone and not (first < 8 and first + length > len(stream) - 8):
            continue
        if not stream.startswith(wanted, first):
            continue
        cells: dict[int, int] = {}
        for position in range(first, first + length):
            weight = 1 << position % 8 if low_first else 0x80 >> position % 8
            cells[position // 8] = cells.get(position // 8, 0) | weight
        yield f"{form}@{first % 8}", tuple(cells.items())


def _spaced(view: bytes, text: str, form: str) -> Iterator[tuple[str, Cells]]:
    steps = form.split("+")
    stride = next((int(step[-1]) for step in steps if step.startswith("every")), 1)
    if form.startswith("utf-16"):
        stride = 2
    wanted = text[::-1] if "reversed" in steps else text
    if "lower-case" in steps:
        if wanted == wanted.lower():
            return
        wanted = wanted.lower()
    if steps[-1] in ("xor", "added") and len(set(text)) < 3:
        return
    for start in range(len(view) - stride * (len(text) - 1)):
        places = [start + stride * index for index in range(len(text))]
        used = list(places)
        if form == "utf-16-be":
            used = [place for high in places for place in (high - 1, high)]
        if form == "utf-16-le":
            used = [place for low in places for place in (low, low + 1)]
        if used[0] < 0 or used[-1] >= len(view):
            continue
        if any(view[place] for place in used if place not in places):
            continue
        name = _name_of(steps, [view[place] for place in places], wanted)
        if name is not None:
            yield name, tuple((place, 0xFF) for place in used)


def _name_of(steps: list[str], stored: list[int], wanted: str) -> str | None:
    last = steps[-1]
    if last not in ("xor", "added") and len(set(stored)) != len(set(wanted)):
        return None
    codes = [ord(character) for character in wanted]
    if last in ENCODERS:
        codes = [ENCODERS[last](code) for code in codes]
    elif last == "xor":
        key = stored[0] ^ codes[0]
        if key in (0, 255) or any(
            byte ^ key != code for byte, code in zip(stored, codes, strict=True)
        ):
            return None
        return "+".join([*steps[:-1], f"xor-{key:02x}"])
    elif last == "added":
        key = (stored[0] - codes[0]) % 256
        if key == 0 or any(
            (byte - key) % 256 != code for byte, code in zip(stored, codes, strict=True)
        ):
            return None
        return "+".join([*steps[:-1], f"added-{key:02x}"])
    return "+".join(steps) if stored == codes else None
