"""How good are drafts? Families of random structure, scored against the truth.

Run: python tests/bench/measure_drafting.py [--families 36] [--first 3000] [--real 200]

Each family (`tests/module_families.py`, made without the code under test) gives so many
modules, two reads each, in some rows a never-configured one as well. What is counted is
said in `tests/drafting_score.py`. Prints the table of docs/layouts.md, then what was missed
or wrong; the seeds of the table were not looked at while the rules were written.
"""

from __future__ import annotations

import argparse
import sys
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2]))

from tests.drafting_score import Score, score_family, score_real_family
from tests.module_families import make_family
from tests.real_families import make_real_family
from tests.real_images import fetch_displays, fetch_firmware

ROWS = ((2, False), (2, True), (3, False), (3, True), (4, False), (6, False))
_HEAD = (
    "| modules | identity | checksums | unsafe bytes | guesses | false |\n"
    "| --- | --- | --- | --- | --- | --- |"
)


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("--families", type=int, default=36)
    parser.add_argument("--first", type=int, default=3000, help="seed of the first family")
    parser.add_argument(
        "--real", type=int, default=0, help="measure so many families planted in real memories"
    )
    arguments = parser.parse_args()
    if arguments.real:
        _measure_real(arguments.first, arguments.real)
        return
    seeds = range(arguments.first, arguments.first + arguments.families)
    families = [make_family(seed) for seed in seeds]
    faults = []
    print(_HEAD)
    begun = time.perf_counter()
    for count, reference in ROWS:
        score = Score()
        for family in families:
            score.add(score_family(family, count, reference=reference))
        print(_row(count, reference, score), flush=True)
        faults.append((count, reference, score.faults))
    drafts = len(ROWS) * len(families)
    print(f"\n{(time.perf_counter() - begun) / drafts:.2f} s for a draft and its score.")
    for count, reference, lines in faults:
        print(f"\n{count} modules{' and a reference' if reference else ''}:")
        print("\n".join(f"  {line}" for line in lines))


def _measure_real(first: int, number: int) -> None:
    """Two to four modules in turn; what a draft would change beside the planted VINs."""
    firmware, displays = fetch_firmware(), fetch_displays()
    missed, told = 0, []
    for seed in range(first, first + number):
        family = make_real_family(seed, modules=2 + seed % 3, firmware=firmware, displays=displays)
        lacking, unsafe = score_real_family(family)
        missed += lacking
        told += [f"  {family.name}: {text}" for text in unsafe]
    print(f"{number} families: {missed} VINs missed, {len(told)} unsafe guesses.")
    print("\n".join(told))


def _row(count: int, reference: bool, score: Score) -> str:
    name = f"{count} and a reference" if reference else str(count)
    identity = f"{score.identity_found} of {score.identity}"
    share = 100 * score.checksums_found / max(1, score.checksums)
    checksums = f"{score.checksums_found} of {score.checksums} ({share:.1f} %)"
    false = f"{score.false} ({100 * score.false / max(1, score.guesses):.1f} %)"
    return f"| {name} | {identity} | {checksums} | {score.unsafe} | {score.guesses} | {false} |"


if __name__ == "__main__":
    main()
