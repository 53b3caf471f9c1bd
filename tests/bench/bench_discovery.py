"""How fast is checksum discovery, against a brute force in C that is compiled here?

Run: python tests/bench/bench_discovery.py [--quick]

Same work on both sides: the catalogued CRCs of 16, 24, 32 and 64 bits, both byte orders,
the number right after the block, every start and every length, all images. The brute
force runs every start of the first image with one table look-up a byte, tests both orders
at each end, and confirms a hit in the other images; one thread. Above 4 KiB it is timed on
a few starts spread evenly and scaled to the exact number of look-ups; such times are
marked "extrapolated". Times are of the processor, since both run in one thread. Peak
memory is that of a process of its own, less the same process's after a small search.
"""

from __future__ import annotations

import argparse
import ctypes
import random
import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Sequence
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2]))

from crccheck.crc import ALLCRCCLASSES

from memtool.core.discovery import Wish, discover_checksums, searched_algorithms
from memtool.core.image import Image
from tests.bench import images as benched

SOURCE = r"""
#include <stdint.h>
#include <stddef.h>

static uint64_t reflect(uint64_t value, int width) {
    uint64_t turned = 0;
    for (int bit = 0; bit < width; bit++)
        if (value >> bit & 1) turned |= 1ull << (width - 1 - bit);
    return turned;
}

static void make_table(uint64_t *table, int width, uint64_t poly, int reflected) {
    uint64_t mask = width == 64 ? ~0ull : (1ull << width) - 1, top = 1ull << (width - 1);
    uint64_t turned = reflect(poly, width);
    for (int byte = 0; byte < 256; byte++) {
        uint64_t value = reflected ? (uint64_t)byte : (uint64_t)byte << (width - 8);
        for (int bit = 0; bit < 8; bit++)
            value = reflected ? value >> 1 ^ (value & 1 ? turned : 0)
                              : (value << 1 ^ (value & top ? poly : 0)) & mask;
        table[byte] = value;
    }
}

#define STEP(r, byte) (reflected ? (r) >> 8 ^ t[((r) ^ (byte)) & 255] \
                                 : ((r) << 8 & mask) ^ t[((r) >> (width - 8) ^ (byte)) & 255])

static inline __attribute__((always_inline)) long
run(const uint8_t *images, size_t size, int count, int width, const uint64_t *t, uint64_t init,
    int reflected, uint64_t xorout, size_t first, size_t stride, uint64_t *steps) {
    uint64_t mask = width == 64 ? ~0ull : (1ull << width) - 1;
    int length = width / 8;
    long hits = 0;
    for (size_t start = first; start + length < size; start += stride) {
        uint64_t r = init;
        for (size_t end = start + 1; end + length <= size; end++) {
            r = STEP(r, images[end - 1]);
            uint64_t value = r ^ xorout;
            const uint8_t *field = images + end;
            /* One byte rules out nearly all; then the whole number in either order. */
            if (field[0] != (uint8_t)value && field[0] != (uint8_t)(value >> (width - 8))) continue;
            for (int order = 0; order < 2; order++) {
                uint64_t stored = 0;
                for (int at = 0; at < length; at++)
                    stored |= (uint64_t)field[at] << 8 * (order ? at : length - 1 - at);
                if (stored != value) continue;
                int all = 1;
                for (int other = 1; other < count && all; other++) {
                    const uint8_t *image = images + other * size;
                    uint64_t q = init, there = 0;
                    for (size_t at = start; at < end; at++) q = STEP(q, image[at]);
                    for (int at = 0; at < length; at++)
                        there |= (uint64_t)image[end + at] << 8 * (order ? at : length - 1 - at);
                    all = there == (q ^ xorout);
                }
                hits += all;
            }
        }
        *steps += size - length - start;
    }
    return hits;
}

#define RUN(w, refl) run(images, size, count, w, table, init, refl, xorout, first, stride, steps)

/* Starts first, first + stride, ...: returns hits, adds look-ups to *steps. */
long brute(const uint8_t *images, size_t size, int count, int width, uint64_t poly,
           uint64_t init, int reflected, uint64_t xorout, size_t first, size_t stride,
           uint64_t *steps) {
    uint64_t table[256];
    make_table(table, width, poly, reflected);
    if (reflected) init = reflect(init, width);
    switch (width) {
    case 16: return reflected ? RUN(16, 1) : RUN(16, 0);
    case 24: return reflected ? RUN(24, 1) : RUN(24, 0);
    case 32: return reflected ? RUN(32, 1) : RUN(32, 0);
    default: return reflected ? RUN(64, 1) : RUN(64, 0);
    }
}
"""
WIDTHS = (16, 24, 32, 64)
MODELS = [one for one in ALLCRCCLASSES if one._width in WIDTHS]


def compile_brute(folder: Path) -> ctypes.CDLL:
    """The brute force as a library, optimised for this machine."""
    source, library = folder / "brute.c", folder / "brute.so"
    source.write_text(SOURCE, encoding="ascii")
    command = ["cc", "-O3", "-march=native", "-shared", "-fPIC", "-o", library, source]
    subprocess.run([str(part) for part in command], check=True)
    loaded = ctypes.CDLL(str(library))
    loaded.brute.restype = ctypes.c_long
    return loaded


def time_brute(library: ctypes.CDLL, images: list[bytes], most_steps: float) -> tuple[float, bool]:
    """Seconds for all blocks, and whether they are extrapolated."""
    size = len(images[0])
    data = b"".join(images)
    whole = size * size / 2
    stride = max(1, int(whole * len(MODELS) / most_steps))
    begin, steps = time.process_time(), ctypes.c_uint64(0)
    for one in MODELS:
        library.brute(
            data,
            ctypes.c_size_t(size),
            len(images),
            one._width,
            ctypes.c_uint64(one._poly),
            ctypes.c_uint64(one._initvalue),
            int(one._reflect_input),
            ctypes.c_uint64(one._xor_output),
            ctypes.c_size_t(stride // 2),
            ctypes.c_size_t(stride),
            ctypes.byref(steps),
        )
    seconds = time.process_time() - begin
    return seconds * whole * len(MODELS) / steps.value, stride > 1


def print_kinds(sizes: Sequence[int]) -> None:
    """The whole search of each kind of image, as a multiple of a process that starts up.

    The start is that of a process that imports click, numpy and rich; both are processor times.
    """
    start = min(_time_start() for _ in range(5))
    print(f"everything, in multiples of {start * 1000:.0f} ms for importing click, numpy, rich")
    for size in sizes:
        taken = {
            kind: time_discovery(benched.make_images(kind, size), None, 1) for kind in benched.KINDS
        }
        worst = sorted(taken.items(), key=lambda pair: -pair[1])
        cells = ", ".join(f"{kind} {seconds / start:.1f}" for kind, seconds in worst)
        most = worst[0][1] / taken["random"]
        print(f"  {size >> 10:5} KiB x 3 (six: 6): {cells}; worst {most:.1f} times random")


def _time_start() -> float:
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    command = [sys.executable, "-c", "import click, numpy, rich.console"]
    subprocess.run(command, check=True)
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


def same_work() -> Wish:
    """What the brute force does, and no more."""
    return Wish(
        algorithms=tuple(
            item for item in searched_algorithms() if item.crc and item.width in WIDTHS
        ),
        fixed_places=False,
        totals=False,
        word_swapped=False,
        unknown_constants=False,
    )


def time_discovery(images: list[bytes], wish: Wish | None, repeat: int) -> float:
    """The best of some runs, in seconds."""
    best = float("inf")
    given = [Image.from_bytes(image) for image in images]
    for _ in range(repeat):
        begin = time.process_time()
        discover_checksums(given, wish=wish)
        best = min(best, time.process_time() - begin)
    return best


def make_images(size: int, count: int, *, half_erased: bool = False) -> list[bytes]:
    """Random images with one planted CRC-16/IBM-3740."""
    source = random.Random(size + count)
    planted = next(one for one in MODELS if "CRC-16/IBM-3740" in one._names)
    images = []
    for _ in range(count):
        image = bytearray(source.randbytes(size))
        image[900:902] = int(planted.calc(image[100:900])).to_bytes(2, "little")
        if half_erased:
            image[size // 2 :] = b"\xff" * (size - size // 2)
        images.append(bytes(image))
    return images


def peak_memory(size: int, count: int, *, everything: bool) -> int:
    """Bytes that a search adds to a process of its own."""
    arguments = [sys.executable, __file__, "--memory", str(size), str(count)]
    if everything:
        arguments.append("--everything")
    done = subprocess.run(arguments, check=True, capture_output=True, text=True)
    return int(done.stdout)


def print_memory(size: int, count: int, *, everything: bool) -> None:
    images = [Image.from_bytes(image) for image in make_images(size, count)]
    discover_checksums([Image.from_bytes(bytes(range(64)))], wish=same_work())
    before = high_water()
    discover_checksums(images, wish=None if everything else same_work())
    print(high_water() - before)


def high_water() -> int:
    """The most memory that this process ever held, in bytes. Linux alone tells it truly."""
    status = Path("/proc/self/status")
    if not status.exists():
        return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024
    lines = status.read_text(encoding="ascii").splitlines()
    return next(int(line.split()[1]) * 1024 for line in lines if line.startswith("VmHWM"))


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--quick", action="store_true", help="leave out 1 MiB")
    parser.add_argument("--memory", nargs=2, type=int, help=argparse.SUPPRESS)
    parser.add_argument("--everything", action="store_true", help=argparse.SUPPRESS)
    arguments = parser.parse_args()
    if arguments.memory:
        print_memory(*arguments.memory, everything=arguments.everything)
        return
    sizes = [(4096, 2), (65536, 3)] + ([] if arguments.quick else [(1 << 20, 3)])
    taken: dict[int, float] = {}
    with tempfile.TemporaryDirectory() as folder:
        library = compile_brute(Path(folder))
        print("CRCs of 16 to 64 bits, both orders, number after the block")
        for size, count in sizes:
            images = make_images(size, count)
            brute, guessed = time_brute(library, images, 1.5e9)
            taken[size] = time_discovery(images, same_work(), 1 if size > 1 << 19 else 3)
            mark = " (extrapolated)" if guessed else ""
            print(
                f"  {size >> 10:5} KiB x {count}: {taken[size]:8.3f} s; C {brute:10.3f} s{mark}:"
                f" {brute / taken[size]:,.0f} times as fast"
            )
    erased = time_discovery(make_images(65536, 3, half_erased=True), same_work(), 3)
    print(f"half-erased 64 KiB x 3: {erased / taken[65536]:.2f} times random (at most 2)")
    if not arguments.quick:
        print(f"1 MiB: {taken[1 << 20] / taken[65536]:.1f} times 64 KiB (at most 30)")
    print_kinds([4096, 65536] + ([] if arguments.quick else [1 << 20]))
    everything = time_discovery(make_images(4096, 2), None, 3)
    print(f"everything, 4 KiB x 2: {everything:.2f} s (at most 1.5)")
    for size, count in sizes[1:]:
        for whole in (False, True):
            used = peak_memory(size, count, everything=whole) / size
            what = "everything" if whole else "same work as C"
            print(
                f"memory {size >> 10} KiB x {count}, {what}: {used:.0f} bytes a byte (at most 1536)"
            )


if __name__ == "__main__":
    main()
