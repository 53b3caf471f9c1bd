"""How many VINs are told in real images that hold none, and the chance that is printed.

    python tests/bench/measure_false_vins.py [--deep MIB]

Real firmware and the EEPROMs of real displays come from Debian packages (tests/real_images.py).
`--deep` searches so many MiB of it and of random bytes with `deep=True` as well, and prints how
many texts the chances expect in all of these images beside how many there are, by kind. Texts of
which at least ten are expected are marked where the ratio is not within 0.3 to 3.
"""

from __future__ import annotations

import argparse
import random
import re
import sys
from collections import Counter, defaultdict
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2]))

from memtool.core.image import Image
from memtool.core.texts.chance import measure_mix
from memtool.core.texts.form_table import FORMS, PAIRS
from memtool.core.texts.identity_match import Coding, list_parts
from memtool.core.texts.identity_search import find_identity
from memtool.core.texts.needle_search import compute_needle_chance
from memtool.core.texts.needles import make_needles
from memtool.core.texts.number_needles import make_bcd_needles, make_integer_needles
from memtool.core.texts.vin import CheckDigitState
from memtool.core.texts.vin_chances import IN_LONG_TEXTS, NearMisses, VinChances
from memtool.core.texts.vin_search import find_vins
from tests.fillers import make_filler
from tests.real_images import RealFile, cut_pieces, fetch_displays, fetch_firmware
from tests.vins_among_text import make_vin


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--deep", type=int, default=2, help="MiB of each kind")
    options = parser.parse_args()
    firmware, displays = fetch_firmware(), fetch_displays()
    drawn = random.Random("published formats")
    dumps = [
        RealFile(name=f"dump {number}", data=make_filler("dumps", 512, drawn))
        for number in range(2000)
    ]
    for name, files in (
        ("firmware", firmware),
        ("displays", displays),
        ("EDID, SPD, FRU, changed", dumps),
    ):
        told = [found for file in files for found in find_vins(Image.from_bytes(file.data))]
        size = sum(len(file.data) for file in files) / 2**20
        print(f"{name:24} {len(files):5} images {size:7.2f} MiB: {len(told)} VINs", *told)
    pieces = drawn.sample(cut_pieces(firmware, 16384), options.deep * 64)
    noise = [RealFile(name="", data=drawn.randbytes(16384)) for _ in range(options.deep * 64)]
    for name, files in (("firmware", pieces), ("random", noise)):
        _print_deep(name, files)
        _print_known(name, files)


def _print_deep(name: str, files: list[RealFile]) -> None:
    """Texts with four digits at the end, by form and with or without check digit."""
    happened: Counter[str] = Counter()
    expected: defaultdict[str, float] = defaultdict(float)
    forms: list[tuple[str, ...]] = [
        (form.name,) for form in FORMS if form.name not in ("split", *_ORDERS)
    ]
    forms += [(first.name, second.name) for first, second in PAIRS]
    for file in files:
        image = Image.from_bytes(file.data)
        for found in find_vins(image, deep=True):
            kinds = "+".join(re.split("[-@]", part)[0] for part in found.stored_as.split("+"))
            happened[f"{_kind(kinds)}, {found.check_digit is CheckDigitState.VALID}"] += 1
        chances = VinChances(image, (), NearMisses())
        for names in forms:
            with_digit = chances.of_kind(names, check_digit=True, serial=True)
            without = chances.of_kind(names, check_digit=False, serial=True) - with_digit
            kind = _kind("+".join(names))
            if kind == "no key":
                without += IN_LONG_TEXTS * image.size
            expected[f"{kind}, True"] += with_digit
            expected[f"{kind}, False"] += without
    _print_ratios(f"{name}, deep", expected, happened)


_ORDERS = ("utf-16-be", "utf-16-le")


def _kind(joined: str) -> str:
    for each in ("xor", "added", "packed"):
        if each in joined:
            return each
    return "no key"


def _print_known(name: str, files: list[RealFile]) -> None:
    """Tails of VINs that are in none of the images."""
    drawn = random.Random("known")
    happened: Counter[str] = Counter()
    expected: defaultdict[str, float] = defaultdict(float)
    for file in files:
        image, vin = Image.from_bytes(file.data), make_vin(drawn, checked=True)
        for match in find_identity(image, vin):
            happened[f"{match.part} {match.coding}"] += 1
        mix = measure_mix(image)
        for part, piece in list_parts(vin):
            codings = [(Coding.TEXT, needles) for needles in make_needles(piece.encode())]
            if piece.isdigit():
                codings += [(Coding.BCD, needles) for needles in make_bcd_needles(piece)]
                codings += [(Coding.INTEGER, needles) for needles in make_integer_needles(piece)]
            for coding, needles in codings:
                expected[f"{part} {coding}"] += sum(
                    compute_needle_chance(each, mix) for each in needles
                )
    _print_ratios(f"{name}, find", expected, happened)


def _print_ratios(name: str, expected: dict[str, float], happened: Counter[str]) -> None:
    for kind, number in sorted(expected.items(), key=lambda item: -item[1]):
        if number < 0.1 and not happened[kind]:
            continue
        ratio = number / max(1, happened[kind])
        mark = " <- not within 0.3 to 3" if number >= 10 and not 0.3 <= ratio <= 3 else ""
        print(f"{name}, {kind}: expected {number:.3g}, happened {happened[kind]}{mark}")


if __name__ == "__main__":
    main()
