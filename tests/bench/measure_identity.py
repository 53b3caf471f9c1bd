"""Measures how often chance fools the search, and how many planted VINs it finds.

The first table is about images that hold no VIN and none of the text, the second about
unknown VINs planted among random and erased bytes. Run it from the project's root; it prints
the tables of docs/stored-forms.md:

    python tests/bench/measure_identity.py [--images N] [--seed TEXT]

The images come from tests/fillers.py, which does not know memtool. The seed of the
published table was used for nothing else.
"""

from __future__ import annotations

import argparse
import random
import sys
from collections import Counter
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2]))

from memtool.core.image import Image
from memtool.core.job.leftovers import is_telling
from memtool.core.texts.known_identity import find_identity, find_vins
from tests.fillers import FILLERS, make_filler
from tests.stored_texts import ALL_FORMS, plant
from tests.vin_samples import CHECKED_VINS, UNCHECKED_VINS

SIZES = (2048, 65536)
GROUP_WITHOUT_CHECK_DIGIT = "without a key, in seven or eight bits"
GROUPS = {
    GROUP_WITHOUT_CHECK_DIGIT: [
        form
        for form in ALL_FORMS
        if form not in ("split", "added") and "xor" not in form and "packed-6" not in form
    ],
    "in six bits": [form for form in ALL_FORMS if "packed-6" in form],
    "under a key": [form for form in ALL_FORMS if "xor" in form or form == "added"],
}


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--images", type=int, default=400, help="of 2 KiB; of 64 KiB an eighth")
    parser.add_argument("--seed", default="held out")
    options = parser.parse_args()
    print("| filler | size | images | with an unknown VIN | forms | with a false trace | of |")
    print("|---|---|---|---|---|---|---|")
    for size in SIZES:
        number = options.images if size == SIZES[0] else max(1, options.images // 8)
        for kind in FILLERS:
            print(_row(kind, size, number, random.Random(f"{options.seed} {kind} {size}")))
    print()
    print("| forms | check digit | among random bytes | in erased memory |")
    print("|---|---|---|---|")
    for name, forms in GROUPS.items():
        for vins, digit in ((CHECKED_VINS, "matches"), (UNCHECKED_VINS, "none")):
            if digit == "none" and name != GROUP_WITHOUT_CHECK_DIGIT:
                continue
            rng = random.Random(f"{options.seed} {name} {digit}")
            rates = [_found(forms, vins, options.images, erased, rng) for erased in (False, True)]
            print(f"| {name} | {digit} | {rates[0]} | {rates[1]} |")
    print()
    print("| eight VINs in one erased image | found |")
    print("|---|---|")
    for name, forms in GROUPS.items():
        rng = random.Random(f"{options.seed} {name} eight")
        print(f"| {name} | {_found_together(forms, options.images, rng)} |")


def _found_together(forms: list[str], number: int, rng: random.Random) -> str:
    """How many of several VINs in one image are told by name, each at its first byte.

    Among the readings counts: an inverted text often is a negated one as well.
    """
    found = total = 0
    for form in forms:
        for _ in range(max(1, number // 16)):
            data, expected = b"", set()
            for vin in rng.sample(CHECKED_VINS, 8):
                planted = plant(b"\xff" * rng.randint(75, 300), vin, form, rng)
                expected.add((vin, planted.name, len(data) + planted.start))
                data += planted.image
            findings = find_vins(Image.from_bytes(data))
            told = (reading for finding in findings for reading in finding.all_readings)
            found += len(expected & {(f.text, f.stored_as, f.span.start) for f in told})
            total += len(expected)
    return f"{100 * found / total:.1f} % of {total}"


def _found(
    forms: list[str], vins: tuple[str, ...], number: int, erased: bool, rng: random.Random
) -> str:
    """How many VINs are found by name, at the right first and last byte."""
    found = total = 0
    for form in forms:
        for _ in range(max(1, number // 8)):
            size, vin = rng.randint(120, 600), rng.choice(vins)
            planted = plant(b"\xff" * size if erased else rng.randbytes(size), vin, form, rng)
            findings = {
                (f.text, f.stored_as, f.span.start, f.span.end)
                for finding in find_vins(Image.from_bytes(planted.image))
                for f in finding.all_readings
            }
            found += (vin, planted.name, planted.start, planted.end) in findings
            total += 1
    return f"{100 * found / total:.1f} % of {total}"


def _row(kind: str, size: int, number: int, rng: random.Random) -> str:
    vin_images, trace_images = 0, 0
    forms: Counter[str] = Counter()
    traces: Counter[str] = Counter()
    for _ in range(number):
        image = Image.from_bytes(make_filler(kind, size, rng))
        found = find_vins(image)
        vin_images += bool(found)
        forms.update("+".join(p.split("@")[0][:12] for p in f.stored_as.split("+")) for f in found)
        # An identity that is not in the image: a published VIN with another serial.
        text = f"{rng.choice(CHECKED_VINS)[:11]}{rng.randint(0, 999999):06d}"
        telling = [match for match in find_identity(image, text) if is_telling(match)]
        trace_images += bool(telling)
        traces.update(f"{match.part} {match.coding}" for match in telling)
    return (
        f"| {kind} | {size // 1024} KiB | {number} | {_rate(vin_images, number)} |"
        f" {_counts(forms)} | {_rate(trace_images, number)} | {_counts(traces)} |"
    )


def _rate(hits: int, number: int) -> str:
    return f"{hits} ({100 * hits / number:.1f} %)"


def _counts(counter: Counter[str]) -> str:
    return ", ".join(f"{name} {count}" for name, count in counter.most_common(6)) or "none"


if __name__ == "__main__":
    main()
