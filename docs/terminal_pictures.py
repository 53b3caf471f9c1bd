"""Makes pictures of every command at a terminal, to be looked at before a release.

    python docs/terminal_pictures.py DIR

A pseudo-terminal of 80 and one of 120 columns, each with colours and with NO_COLOR. The job is
the demo's. Needs the package with its `dev` extra and Chromium.
"""

from __future__ import annotations

import io
import shutil
import sys
import tempfile
from pathlib import Path

import pexpect
from playwright.sync_api import sync_playwright
from rich.console import Console
from rich.terminal_theme import MONOKAI
from rich.text import Text

ROOT = Path(__file__).parents[1]
sys.path.insert(0, str(ROOT))

from docs import pictures  # noqa: E402
from memtool.demo import door  # noqa: E402

KEEP = ("--keep", "0x0200+4", "--reason", "ignition cycles: usage, not identity")
COMMANDS: dict[str, tuple[str | Path, ...]] = {
    "help": ("--help",),
    "help-blank": ("blank", "--help"),
    "start": (
        *("start", "--job", "second", "--chip", door.CHIP, "--layout", "LAYOUT"),
        *("--original", "O1", "--original", "O2", "--donor", "D1", "--donor", "D2"),
        *("--work-order", "1043", "--vehicle-vin", door.VEHICLE_VIN, "--module-kind", "body"),
        *("--authority", "registration seen", "--reseated", "--original-part", "DZ-4107-C"),
        *(
            "--donor-part",
            "DZ-4107-C",
            "--technician",
            "R. Amsel",
            "--complaint",
            "door zone dead",
        ),
    ),
    "inspect": ("inspect", "D1"),
    "inspect-all": ("inspect", "donor", "--all", "--job", "open"),
    "inspect-two": ("inspect", "D1", "O1"),
    "find": ("find", door.DONOR_VIN, "D1", "O1"),
    "find-without-text": ("find", "D1", "O1"),
    "compare": ("compare", "donor", "original", "--job", "open"),
    "checksum-discover": ("checksum", "discover", "D1", "O1"),
    "checksum-check": ("checksum", "check", "D1", "--layout", "LAYOUT"),
    "checksum-list": ("checksum", "list"),
    "layout-show": ("layout", "show", "LAYOUT"),
    "layout-show-image": ("layout", "show", "LAYOUT", "--image", "D1"),
    "layout-check": ("layout", "check", "LAYOUT", "--against", "D1"),
    "layout-draft": ("layout", "draft", "D1", "O1", "--chip", door.CHIP, "--out", "draft.toml"),
    "blank-plan": ("blank", "donor", *KEEP, "--dry-run", "--job", "open"),
    "check-donor": ("check", "--stage", "donor", "--job", "open"),
    "check-before-writing": ("check", "--stage", "before-writing", "--job", "open"),
    "check-after-setup": ("check", "FINISHED", "--stage", "after-setup", "--job", "finished"),
    "check-failed": ("check", "D1", "--stage", "after-setup", "--job", "failed"),
    "job-show": ("job", "show", "--job", "finished"),
    "job-list": ("job", "list"),
    "backup-list": ("backup", "list"),
    "report": ("report", "--job", "open"),
    "doctor": ("doctor",),
    "vin": ("vin", door.VEHICLE_VIN),
    "vin-wrong": ("vin", "1M8GDM9A1KP042788"),
    "no-such-file": ("inspect", "gone.bin"),
    "no-such-command": ("inspct",),
    "refused-blank": ("blank", "original", "--job", "open"),
}
"""Name of the picture: what is typed, capital words stand for the demo's files."""
FILES = {
    "LAYOUT": "door.toml",
    "O1": "door-original-1.bin",
    "O2": "door-original-2.bin",
    "D1": "door-donor-1.bin",
    "D2": "door-donor-2.hex",
    "FINISHED": "door-finished.bin",
}


def show(folder: Path, words: list[str], *, width: int, colour: bool) -> str:
    """All that one command writes to a terminal."""
    environment = pictures.environment() | {"TERM": "xterm-256color"}
    for name in ("COLUMNS", "NO_COLOR", "CI"):
        environment.pop(name, None)
    if not colour:
        environment["NO_COLOR"] = "1"
    child = pexpect.spawn(
        sys.executable,
        ["-m", "memtool", *words],
        cwd=str(folder),
        env=environment,
        dimensions=(24, width),
        encoding="utf-8",
        timeout=120,
    )
    # Whatever is asked is answered with Enter.
    while child.expect([pexpect.EOF, r"[?:\]] ?$"], timeout=120):
        child.sendline("")
    child.close()
    shown = child.before or ""
    # A line of progress is overwritten by what comes after it.
    lines = [line.rpartition("\r")[2] for line in shown.replace("\r\n", "\n").split("\n")]
    return f"$ benchimage {' '.join(words)}\n" + "\n".join(lines) + f"\n(exit {child.exitstatus})"


def to_page(shown: str, *, width: int) -> str:
    """The same as a page, with a line below each screenful of 24 rows."""
    console = Console(
        width=width, record=True, file=io.StringIO(), force_terminal=True, color_system="truecolor"
    )
    for number, line in enumerate(shown.split("\n")):
        if number and number % 24 == 0:
            console.print("┄" * width, style="dim", no_wrap=True, overflow="crop")
        console.print(Text.from_ansi(line), soft_wrap=False)
    return console.export_html(theme=MONOKAI)


def main() -> None:
    """Play the jobs and take a picture of each command."""
    chromium = shutil.which("chromium")
    if chromium is None or len(sys.argv) != 2:
        raise SystemExit(__doc__ if chromium else "Chromium is not installed")
    out = Path(sys.argv[1]).absolute()
    out.mkdir(parents=True, exist_ok=True)
    pictures.copy_reads()
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(
            executable_path=chromium, args=["--no-sandbox", "--disable-gpu"]
        )
        for width in (80, 120):
            for colour in (True, False):
                # Every round finds the jobs as the first one did.
                with tempfile.TemporaryDirectory() as place:
                    for end in ("open", "failed", "finished"):
                        pictures.play_job(Path(place) / end, end=end)
                    for name, words in COMMANDS.items():
                        typed = [
                            str(pictures.name(FILES[w])) if w in FILES else str(w) for w in words
                        ]
                        shown = show(Path(place), typed, width=width, colour=colour)
                        page = browser.new_page(viewport={"width": 9 * width, "height": 400})
                        page.set_content(to_page(shown, width=width))
                        kind = "" if colour else "-no-colour"
                        page.screenshot(path=out / f"{name}-{width}{kind}.png", full_page=True)
                        page.close()
                        (out / f"{name}-{width}{kind}.txt").write_text(shown, encoding="utf-8")
                shutil.rmtree(pictures.STORE)
        browser.close()
    shutil.rmtree(pictures.READS)


if __name__ == "__main__":
    main()
