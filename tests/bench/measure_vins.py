"""How VINs among other text are read: right and alone, among readings, wrongly, not at all.

    python tests/bench/measure_vins.py [--images N] [--seed TEXT] [--forms all]

Prints one row a surrounding and context. Generated with tests/vins_among_text.py, which does
not know memtool. A VIN is "one" where a border on both sides speaks for it, or its check digit
and the standards allow no other text in its run, in its bytes as they stand, and under another
change of every byte; "several" are all the rest. VINs under a key are searched with `deep`, as
docs/vin.md says; what is told of them without it stands in rows of its own ("not deep").
"""

from __future__ import annotations

import argparse
import random
import sys
from collections import Counter
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2]))

from memtool.core.image import Image
from memtool.core.texts.vin_search import find_vins
from tests.fillers import make_filler
from tests.stored_texts import ALL_FORMS
from tests.vins_among_text import CONTEXTS, Placed, make_vin, place

SURROUNDINGS = ("erased", "zeros", "random", "text", "records", "code")
KEYED = [f for f in ALL_FORMS if "xor" in f or f == "added"]
DOUBTFUL = [f for f in ALL_FORMS if "xor" in f or "packed-6" in f or f == "added"]


def make_surrounding(kind: str, rng: random.Random) -> bytes:
    if kind == "erased":
        return b"\xff" * 512
    return b"\0" * 512 if kind == "zeros" else make_filler(kind, 512, rng)


def judge(placed: Placed, *, deep: bool = False) -> str:
    """``alone``, ``among`` (a reading of one candidate), ``without`` or ``missed``."""
    cells = {offset for offset, _ in placed.planted.cells[:]}
    told = [
        vin
        for vin in find_vins(Image.from_bytes(placed.planted.image), deep=deep)
        if any(
            address in cells for piece in vin.pieces for address in range(piece.start, piece.end)
        )
    ]
    right = [v for v in told if v.text == placed.vin]
    if right and not right[0].readings:
        return "alone"
    if any(placed.vin in {v.text, *(r.text for r in v.readings)} for v in told):
        return "among"
    # A neighbouring VIN of the context is told rightly when it is one.
    if not told or all(v.text in placed.before + placed.after for v in told):
        return "missed"
    return "without"


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--images", type=int, default=20, help="of each form and context")
    parser.add_argument("--seed", default="held out")
    parser.add_argument("--forms", default="plain")
    parser.add_argument("--bad", default="without,missed")
    parser.add_argument("--show", type=int, default=0)
    options = parser.parse_args()
    forms = (
        [f for f in ALL_FORMS if f != "split"]
        if options.forms == "all"
        else options.forms.split(",")
    )
    total: dict[tuple[str, str], Counter[str]] = {}
    shown = 0
    for checked in (True, False):
        for context in CONTEXTS:
            for surrounding in SURROUNDINGS:
                rng = random.Random(f"{options.seed} {checked} {context} {surrounding}")
                for form in forms:
                    for _ in range(options.images):
                        vin = make_vin(rng, checked=checked)
                        if not checked and form in DOUBTFUL:
                            continue
                        placed = place(make_surrounding(surrounding, rng), vin, context, form, rng)
                        keyed = form in KEYED
                        verdict = judge(placed, deep=keyed)
                        speaks = placed.bordered or (checked and len(placed.windows) == 1)
                        kind = "one" if speaks else "several"
                        for key in (
                            (kind, "all"),
                            (kind, f"{context}, {'check digit' if checked else 'none'}"),
                            (kind, f"in {surrounding}"),
                            (kind, f"form {form}"),
                        ):
                            total.setdefault(key, Counter())[verdict] += 1
                        if keyed and placed.bordered:
                            key = ("not deep", f"under a key, bordered, in {surrounding}")
                            total.setdefault(key, Counter())[judge(placed)] += 1
                        bad = verdict in ("without", "missed") or (
                            kind == "one" and verdict == "among"
                        )
                        if bad and shown < options.show:
                            shown += 1
                            told = find_vins(Image.from_bytes(placed.planted.image))
                            print(
                                verdict,
                                kind,
                                placed.planted.name,
                                surrounding,
                                repr(placed.before),
                                vin,
                                repr(placed.after),
                                [
                                    (
                                        t.text,
                                        t.stored_as,
                                        [r.text + " " + r.stored_as for r in t.readings],
                                    )
                                    for t in told
                                ],
                            )
    for (kind, name), counts in sorted(total.items()):
        number = sum(counts.values())
        rates = "  ".join(
            f"{each} {100 * counts[each] / number:6.2f}"
            for each in ("alone", "among", "without", "missed")
        )
        print(f"{kind:8} {name:42} {number:6}  {rates}")


if __name__ == "__main__":
    main()
