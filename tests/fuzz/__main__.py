"""Coverage-guided fuzzing of every reader, with atheris.

    python -m tests.fuzz                        ten minutes a reader, two at a time
    python -m tests.fuzz --seconds 60 layout-text journal
    python -m tests.fuzz --corpus DIR           keeps what it learnt, and goes on from there

It ends with 1 if a reader let out anything but a refusal in one sentence, took longer than
5 seconds or more than 1 GiB, or did not keep what it promises (`tests/fuzz/targets.py`). The
input is then in the folder that is named; put it into `tests/fuzz/found` as TARGET.WHAT, where
the tests run it for ever.
"""

from __future__ import annotations

import argparse
import re
import subprocess
import sys
import tempfile
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

from tests.fuzz.seeds import SEEDS, WORDS

SECONDS_OF_ONE_INPUT = 5
MEBIBYTES = 1024
ROOT = Path(__file__).parents[2]
NAMES = tuple(SEEDS)


def main() -> int:
    """Fuzz the targets that are named, or all."""
    parser = argparse.ArgumentParser(prog="python -m tests.fuzz")
    parser.add_argument("targets", nargs="*", metavar="TARGET", help=", ".join(NAMES))
    parser.add_argument("--seconds", type=int, default=600, help="for each target")
    parser.add_argument("--corpus", type=Path, help="folder of inputs that reached something new")
    parser.add_argument("--at-once", type=int, default=2)
    given = parser.parse_args()
    if unknown := set(given.targets) - set(NAMES):
        parser.error(f"no such target: {', '.join(sorted(unknown))}")
    corpus = given.corpus or Path(tempfile.mkdtemp(prefix="fuzz-"))
    with ThreadPoolExecutor(given.at_once) as pool:
        results = pool.map(
            lambda name: fuzz(name, seconds=given.seconds, corpus=corpus),
            given.targets or NAMES,
        )
        return 1 if any([not result for result in results]) else 0  # noqa: C419 - all of them


def fuzz(name: str, *, seconds: int, corpus: Path) -> bool:
    """Run one target in a process of its own; whether it was sound."""
    place = (corpus / name).absolute()
    (place / "inputs").mkdir(parents=True, exist_ok=True)
    for number, seed in enumerate(SEEDS[name]):
        (place / "inputs" / f"seed-{number}").write_bytes(seed)
    words = place / "words"
    words.write_text("".join(f'"{_escaped(word)}"\n' for word in WORDS))
    done = subprocess.run(
        [
            *(sys.executable, "-m", "tests.fuzz.one_target", name, str(place / "inputs")),
            *(f"-max_total_time={seconds}", f"-timeout={SECONDS_OF_ONE_INPUT}"),
            *(f"-rss_limit_mb={MEBIBYTES}", "-max_len=4096", f"-dict={words}"),
            *(f"-artifact_prefix={place}/", "-print_final_stats=1"),
        ],
        cwd=ROOT,
        capture_output=True,
        text=True,
        errors="replace",
    )
    runs = re.search(r"stat::number_of_executed_units: +(\d+)", done.stderr)
    if done.returncode == 0 and runs:
        sys.stdout.write(f"{name}: {int(runs[1]):,} inputs, sound\n")
    else:
        sys.stdout.write(f"{name}: NOT SOUND, see {place}\n{done.stderr[-6000:]}\n")
    sys.stdout.flush()
    return done.returncode == 0 and runs is not None


def _escaped(word: str) -> str:
    return word.replace("\\", "\\\\").replace('"', '\\"')


if __name__ == "__main__":
    sys.exit(main())
