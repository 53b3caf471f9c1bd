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
import os
import re
import sys
import tempfile
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
    waiting, running = list(given.targets or NAMES), dict[int, str]()
    good = True
    while waiting or running:
        while waiting and len(running) < given.at_once:
            name = waiting.pop(0)
            running[begin(name, seconds=given.seconds, place=(corpus / name).absolute())] = name
        process, status = os.wait()
        name = running.pop(process)
        good &= tell(name, status, place=(corpus / name).absolute())
    return 0 if good else 1


def begin(name: str, *, seconds: int, place: Path) -> int:
    """Start one target in a process of its own, a fork of this one; its number.

    Instrumenting the program takes ten times as long as a second of fuzzing, so it is done once.
    """
    from tests.fuzz.one_target import be_the_fuzzer

    (place / "inputs").mkdir(parents=True, exist_ok=True)
    for number, seed in enumerate(SEEDS[name]):
        (place / "inputs" / f"seed-{number}").write_bytes(seed)
    words = place / "words"
    words.write_text("".join(f'"{_escaped(word)}"\n' for word in WORDS))
    sys.stdout.flush()
    process = os.fork()
    if process == 0:
        os.chdir(ROOT)
        for number, said in ((1, "out.txt"), (2, "err.txt")):
            os.dup2(os.open(place / said, os.O_WRONLY | os.O_CREAT | os.O_TRUNC), number)
        be_the_fuzzer(
            name,
            *(str(place / "inputs"), f"-max_total_time={seconds}"),
            *(f"-timeout={SECONDS_OF_ONE_INPUT}", f"-rss_limit_mb={MEBIBYTES}"),
            *("-max_len=4096", f"-dict={words}"),
            *(f"-artifact_prefix={place}/", "-print_final_stats=1"),
        )
    return process


def tell(name: str, status: int, *, place: Path) -> bool:
    """Say how it ended; whether it was sound."""
    said = (place / "err.txt").read_text(errors="replace")
    runs = re.search(r"stat::number_of_executed_units: +(\d+)", said)
    if status == 0 and runs:
        sys.stdout.write(f"{name}: {int(runs[1]):,} inputs, sound\n")
    else:
        sys.stdout.write(f"{name}: NOT SOUND, see {place}\n{said[-6000:]}\n")
    sys.stdout.flush()
    return status == 0 and runs is not None


def _escaped(word: str) -> str:
    return word.replace("\\", "\\\\").replace('"', '\\"')


if __name__ == "__main__":
    sys.exit(main())
