"""Makes the pictures of the documentation from the demo's images; look at them afterwards.

    python docs/pictures.py
    python docs/pictures.py --look DIR

Needs the package with its `dev` extra, Chromium and pdftoppm. Writes docs/pictures/. With --look
it writes into DIR what a person should see before a release: every page at three widths, dark and
printed, and every sheet of the customer file of a finished, an open and a failed job.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from PIL import Image
from playwright.sync_api import Browser, sync_playwright

ROOT = Path(__file__).parents[1]
sys.path.insert(0, str(ROOT))

from memtool.demo import door  # noqa: E402

IMAGES = ROOT / "test_images"
OUT = ROOT / "docs" / "pictures"
STORE = Path(tempfile.gettempdir()) / f"benchimage-pictures-{os.getpid()}"
READS = STORE.with_name(f"{STORE.name}-reads")
COLOURS = 48
"""Of each picture: they are drawn, and few colours keep the files small."""


def name(file: str) -> Path:
    """One of the demo's files, of a time of its own, as reads have."""
    return READS / file


def copy_reads() -> None:
    """The demo's files with times as reads have them, one after the other."""
    shutil.copytree(IMAGES, READS)
    for number, path in enumerate(sorted(READS.iterdir())):
        is_later = "read-back" in path.name or "finished" in path.name
        then = time.time() + (3600 if is_later else -3600) + 60 * number
        os.utime(path, (then, then))


def environment() -> dict[str, str]:
    """For a command: this package, with a store and a shop of its own."""
    return os.environ | {
        "PYTHONPATH": str(ROOT),
        "BENCHIMAGE_STORE": str(STORE),
        "BENCHIMAGE_SHOP": str(STORE.with_name(f"{STORE.name}-shop")),
    }


def run(folder: Path, *arguments: str | Path) -> None:
    """One command, in the job's folder."""
    done = subprocess.run(
        [sys.executable, "-m", "memtool", *map(str, arguments)],
        cwd=folder,
        env=environment(),
        capture_output=True,
        text=True,
    )
    if done.returncode not in (0, 1):
        raise SystemExit(f"{arguments}: {done.stderr}")


def play_job(folder: Path, *, end: str = "finished") -> None:
    """The demo's job, with every page that the tool can make; it may end as open or failed."""
    run(
        folder.parent,
        *(
            "start",
            "--job",
            folder.name,
            "--chip",
            door.CHIP,
            "--layout",
            name("door.toml"),
            "--reseated",
        ),
        *("--original", name("door-original-1.bin"), "--original", name("door-original-2.bin")),
        *("--donor", name("door-donor-1.bin"), "--donor", name("door-donor-2.hex")),
        *("--work-order", "1042", "--vehicle-vin", door.VEHICLE_VIN, "--module-kind", "body"),
        *("--authority", "registration seen, order 1042 signed by the owner"),
        *("--complaint", "door zone dead after water entry"),
        *("--original-part", "DZ-4107-C", "--donor-part", "DZ-4107-C"),
        *("--donor-source", "dismantler at the river", "--donor-receipt", "77-310"),
        *("--original-serial", "C0281140455X", "--donor-serial", "C0281139102K"),
        *("--customer", "M. Fink", "--plate", "KX 41 MWT", "--old-module", "core"),
        *("--technician", "R. Amsel"),
        *("--html", f"{folder.name}/start.html"),
    )
    run(folder, "check", "--stage", "donor")
    if end == "finished":
        run(folder, "job", "decide", "module-identity", "serial and date are its own")
    keep = ("--keep", "0x0200+4", "--reason", "ignition cycles: usage, not identity")
    run(folder, "blank", "donor", *keep, "--confirm", door.DONOR_VIN[-6:])
    run(folder, "check", "--stage", "before-writing")
    if end != "open":
        run(folder, "check", name("door-read-back.bin"), "--stage", "after-writing")
        finished = name("door-donor-1.bin" if end == "failed" else "door-finished.bin")
        run(folder, "check", finished, "--stage", "after-setup")
    run(folder, "job", "note", "warning lamp off, both doors tested, no codes")
    run(folder, "report")
    run(folder, "inspect", "donor", "--html", "inspect.html")
    run(folder, "compare", "donor", "original", "--html", "compare.html")


def shoot(browser: Browser, page: Path, name: str, *, width: int, height: int, dark: bool) -> None:
    """One view of a page, as it is when it was opened and a place was chosen."""
    seen = browser.new_page(
        viewport={"width": width, "height": height}, color_scheme="dark" if dark else "light"
    )
    seen.goto(page.as_uri())
    if seen.locator("#bytes").count():
        seen.fill("#wanted", door.DONOR_VIN)
        seen.press("#wanted", "Enter")
        place = "main h2:nth-of-type(2)" if width < 500 else "header"
        seen.evaluate("place => document.querySelector(place).scrollIntoView()", place)
    seen.screenshot(path=OUT / f"{name}.png")
    seen.close()


def look(browser: Browser, page: Path, out: Path) -> None:
    """One page as it is seen and printed."""
    stem = f"{page.parent.parent.name if page.parent.name == 'reports' else page.parent.name}"
    stem = f"{stem}-{page.stem}"
    for width in (375, 820, 1280):
        for scheme in ("light", "dark"):
            seen = browser.new_page(
                viewport={"width": width, "height": 900},
                color_scheme="dark" if scheme == "dark" else "light",
            )
            seen.goto(page.as_uri())
            seen.screenshot(path=out / f"{stem}-{width}-{scheme}.png", full_page=True)
            seen.close()
    seen = browser.new_page()
    seen.goto(page.as_uri())
    (out / f"{stem}-print.pdf").write_bytes(seen.pdf(prefer_css_page_size=True))
    seen.close()
    sheets(out / f"{stem}-print.pdf", out / f"{stem}-print")


def sheets(pdf: Path, stem: Path) -> None:
    """Every sheet of a PDF."""
    subprocess.run(["pdftoppm", "-r", "70", "-png", pdf, stem], check=True)


def look_at_all(browser: Browser, place: Path, out: Path) -> None:
    """Three jobs with all their pages and sheets."""
    out.mkdir(parents=True, exist_ok=True)
    for end in ("finished", "open", "failed"):
        job = place / end
        play_job(job, end=end)
        pages = sorted(job.glob("*.html")) if end == "finished" else []
        for page in (*pages, job / "reports" / "report-1.html"):
            look(browser, page, out)
        sheets(job / "reports" / "report-1.pdf", out / f"{end}-sheet")


def shrink(path: Path) -> None:
    """Fewer colours, and none of the file's extras."""
    with Image.open(path) as picture:
        small = picture.convert("RGB").quantize(COLOURS, dither=Image.Dither.NONE)
    small.save(path, optimize=True)


def main() -> None:
    """Play the job and take every picture."""
    chromium = shutil.which("chromium")
    if chromium is None:
        raise SystemExit("Chromium is not installed")
    OUT.mkdir(exist_ok=True)
    copy_reads()
    with tempfile.TemporaryDirectory() as place, sync_playwright() as playwright:
        browser = playwright.chromium.launch(
            executable_path=chromium, args=["--no-sandbox", "--disable-gpu"]
        )
        run(Path(place), *("job", "shop", "--name", "Amsel Auto Electrics"))
        run(Path(place), *("job", "shop", "--address", "4 Mill Lane", "--address", "Oberau"))
        if sys.argv[1:2] == ["--look"]:
            look_at_all(browser, Path(place), Path(sys.argv[2]).absolute())
            browser.close()
            return
        job = Path(place) / "order-1042"
        play_job(job)
        shoot(browser, job / "start.html", "start", width=900, height=760, dark=False)
        shoot(browser, job / "compare.html", "compare", width=1280, height=1000, dark=False)
        shoot(browser, job / "inspect.html", "inspect-dark", width=1000, height=900, dark=True)
        shoot(browser, job / "compare.html", "compare-phone", width=390, height=844, dark=False)
        browser.close()
        sheets(job / "reports" / "report-1.pdf", OUT / "report")
    shutil.rmtree(STORE)
    shutil.rmtree(READS)
    for path in sorted(set(OUT.glob("*.png")) - set(OUT.glob("desk-*.png"))):
        shrink(path)
        sys.stdout.write(f"{path.relative_to(ROOT)}  {path.stat().st_size:,} bytes\n")


if __name__ == "__main__":
    main()
