"""Time of the customer file beside `inspect`, and of a page of two 1 MiB images.

python tests/bench/bench_report.py

The job is one of 64 KiB with original, donor, file to program, read-back and a read after
setup. The baseline is `benchimage inspect` of its donor, a process from start to end, in the
same run; the claims are: the page within twice, the PDF within four times of it. The page
that compares two images is drawn by Chromium, where it is installed.
"""

from __future__ import annotations

import os
import random
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path

ROOT = Path(__file__).parents[2]
DONOR = b"1M8GDM9AXKP042788"
VEHICLE = b"1G4AH59H45G118341"
LARGEST_PAGE = 6_000_000
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


def memory(vin: bytes) -> bytes:
    """64 KiB, half of it program."""
    data = bytearray(b"\xff" * 65536)
    data[0x4000:0xC000] = random.Random(1).randbytes(0x8000)
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


def make_job(folder: Path) -> None:
    """A job from the first read to the read after setup."""
    blank = bytearray(memory(DONOR))
    blank[0x100:0x111] = blank[0x300:0x311] = b"\xff" * 17
    donor, original = memory(DONOR), memory(VEHICLE)
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
    """Print the report's times as ratios."""
    make_job(folder)
    baseline = best(folder, "inspect", "d.bin", "--layout", "module.toml", "--chip", "24C512")
    page = best(folder, "report", "--job", "job", "--no-pdf")
    pdf = best(folder, "report", "--job", "job")
    print(f"inspect of 64 KiB        {baseline * 1000:6.0f} ms, the baseline")
    for name, seconds, limit in (("page and facts", page, 2.0), ("page, facts, PDF", pdf, 4.0)):
        ratio = seconds / baseline
        verdict = "within" if ratio <= limit else "NOT WITHIN"
        print(
            f"report: {name:<16} {seconds * 1000:6.0f} ms, {ratio:4.2f} times,"
            f" {verdict} {limit:.0f} times"
        )


def compare_page(folder: Path) -> None:
    """Print size and first drawing of the worst page: 1 MiB, nothing in common."""
    for seed, name in ((1, "a"), (2, "b")):
        (folder / f"{name}.bin").write_bytes(random.Random(seed).randbytes(1 << 20))
    seconds = run(folder, "compare", "a.bin", "b.bin", "--html", "page.html")
    page = folder / "page.html"
    size = page.stat().st_size
    verdict = "under" if size < LARGEST_PAGE else "NOT UNDER"
    print(f"compare page of 1 MiB    {seconds * 1000:6.0f} ms, {size:,} bytes, {verdict} 6 MB")
    chromium = shutil.which("chromium")
    if chromium is None:
        print("first drawn              not measured: no Chromium here")
        return
    print(f"first drawn              {drawn_after(page, chromium):6.0f} ms, limit 1,000 ms")


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
