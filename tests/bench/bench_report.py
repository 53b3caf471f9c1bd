"""Time of the customer file beside `inspect`, and of a page of two 1 MiB images.

python tests/bench/bench_report.py

One column a kind of image, the worst first. The job is one of 64 KiB with original, donor,
file to program, read-back and a read after setup. The baseline is `benchimage inspect` of its
donor, a process from start to end, in the same run; the claims are: the page within twice, the
PDF within four times of it. The page that compares two images is drawn by Chromium, where it is
installed.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2]))

from tests.bench.costs import ROOT, columns
from tests.bench.images import KINDS, make_images

DONOR = b"1M8GDM9AXKP042788"
VEHICLE = b"1G4AH59H45G118341"
LAYOUT = """\
[layout]
name = "bench module"
chip = "24C512"
size = 65536
module = "body"
reviewed = true

[[region]]
name = "VIN"
span = "0x0100+17"
kind = "vehicle-identity"
type = "vin"

[[region]]
name = "VIN, mirrored"
span = "0x0300+17"
kind = "vehicle-identity"
type = "vin"
stored_as = "reversed"
copy_of = "VIN"

[[region]]
name = "program"
span = "0x4000-0xBFFF"
kind = "code"
"""


_WATCH = """
new MutationObserver((_, self) => {
  if (!document.querySelector(".row .cell")) return;
  self.disconnect();
  requestAnimationFrame(() => setTimeout(() => { window.drawnAfter = performance.now(); }));
}).observe(document, { childList: true, subtree: true });
"""
"""Notes when the first frame with bytes was handed to the screen."""


def memory(kind: str, vin: bytes) -> bytes:
    """64 KiB with the VIN twice."""
    data = bytearray(make_images(kind, 65536, 1)[0])
    # A structured image has one of its own.
    data[0x20:0x31] = b"\xff" * 17
    data[0x100:0x111] = vin
    data[0x300:0x311] = vin[::-1]
    return bytes(data)


def run(folder: Path, *arguments: str) -> float:
    """Seconds of one process, from start to end."""
    begin = time.perf_counter()
    done = subprocess.run(
        [sys.executable, "-m", "memtool", *arguments],
        cwd=folder,
        env=os.environ | {"PYTHONPATH": str(ROOT), "BENCHIMAGE_STORE": str(folder / "store")},
        capture_output=True,
        text=True,
    )
    if done.returncode not in (0, 1):
        raise SystemExit(f"{arguments}: {done.stderr}")
    return time.perf_counter() - begin


def best(folder: Path, *arguments: str) -> float:
    """The best of five."""
    return min(run(folder, *arguments) for _ in range(5))


def make_job(folder: Path, kind: str) -> None:
    """A job from the first read to the read after setup."""
    blank = bytearray(memory(kind, DONOR))
    blank[0x100:0x111] = blank[0x300:0x311] = b"\xff" * 17
    donor, original = memory(kind, DONOR), memory(kind, VEHICLE)
    files = {"d": donor, "d2": donor, "o": original, "o2": original, "back": bytes(blank)}
    for name, data in files.items():
        (folder / f"{name}.bin").write_bytes(data)
    (folder / "module.toml").write_text(LAYOUT)
    job = ("--job", "job")
    run(
        folder,
        *("start", *job, "--chip", "24C512", "--layout", "module.toml", "--reseated"),
        *("--original", "o.bin", "--original", "o2.bin", "--donor", "d.bin", "--donor", "d2.bin"),
        *("--vehicle-vin", VEHICLE.decode(), "--module-kind", "body", "--authority", "order"),
    )
    run(folder, "blank", "donor", *job, "--confirm", DONOR[-6:].decode())
    run(folder, "check", *job, "--stage", "before-writing")
    run(folder, "check", "back.bin", *job, "--stage", "after-writing")
    run(folder, "check", "o.bin", *job, "--stage", "after-setup")


def report_times(folder: Path) -> None:
    """Print the report's times as ratios to `inspect`."""
    pages, pdfs = {}, {}
    for kind in KINDS:
        place = folder / kind
        place.mkdir()
        make_job(place, kind)
        inspect = ("inspect", "d.bin", "--layout", "module.toml", "--chip", "24C512")
        baseline = best(place, *inspect)
        pages[kind] = best(place, "report", "--job", "job", "--no-pdf") / baseline
        pdfs[kind] = best(place, "report", "--job", "job") / baseline
    print(f"page and facts, x inspect, at most 2:  {columns(pages, 2)}")
    print(f"page, facts and PDF, x inspect, at most 4:  {columns(pdfs, 4)}")


def compare_page(folder: Path) -> None:
    """Print size and first drawing of a page of two modules of 1 MiB."""
    chromium = shutil.which("chromium")
    sizes, drawn = {}, {}
    for kind in KINDS:
        for name, data in zip("ab", make_images(kind, 1 << 20, 2), strict=False):
            (folder / f"{name}.bin").write_bytes(data)
        page = folder / f"{kind}.html"
        run(folder, "compare", "a.bin", "b.bin", "--html", page.name)
        sizes[kind] = page.stat().st_size / 1e6
        if chromium is not None:
            drawn[kind] = drawn_after(page, chromium) / 1000
    print(f"compare page of 1 MiB, in MB, at most 6:  {columns(sizes, 6)}")
    if chromium is None:
        print("first drawn: not measured, no Chromium here")
        return
    print(f"first drawn, in seconds, at most 1:  {columns(drawn, 1)}")


def drawn_after(path: Path, chromium: str) -> float:
    """Milliseconds from opening the file to the first rows on the screen; the best of three."""
    from playwright.sync_api import sync_playwright

    times: list[float] = []
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(
            executable_path=chromium, args=["--no-sandbox", "--disable-gpu"]
        )
        for _ in range(3):
            page = browser.new_page()
            page.add_init_script(_WATCH)
            page.goto(path.as_uri())
            page.wait_for_function("window.drawnAfter !== undefined")
            times.append(page.evaluate("window.drawnAfter"))
            page.close()
        browser.close()
    return min(times)


def main() -> None:
    """Run both."""
    with tempfile.TemporaryDirectory() as folder:
        report_times(Path(folder))
        compare_page(Path(folder))


if __name__ == "__main__":
    main()
