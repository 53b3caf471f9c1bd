"""The customer file and the page of `start` in a real browser, opened from a file."""

from __future__ import annotations

import io
import subprocess
from pathlib import Path

import pytest
from PIL import Image as Photo

from tests.browser.conftest import PHONE, Opener
from tests.build import DONOR_VIN, VEHICLE_VIN
from tests.needs import require
from tests.workflow.jobs import Bench, new_bench

HOSTILE = "<img src='https://example.invalid/x' onerror=alert(1)><svg onload=alert(2)>"
ALPHABETS = "Имя Ωμέγα 山田太郎 עברית ไทย हिन्दी العربية"


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Bench:
    """A job with hostile notes, names of other alphabets, a photo, and its pages."""
    bench = new_bench(tmp_path_factory.mktemp("pages") / "bench")
    started = bench.start("--html", "start.html", "--technician", ALPHABETS)
    assert started.returncode == 0, started.stderr
    bench.blank()
    bench.in_job("job", "note", HOSTILE)
    bench.in_job("job", "note", ALPHABETS)
    picture = io.BytesIO()
    Photo.new("RGB", (60, 40), "grey").save(picture, "JPEG")
    bench.write("label.jpg", picture.getvalue())
    bench.in_job("job", "attach", "label.jpg", "--caption", HOSTILE)
    done = bench.in_job("report")
    assert done.returncode == 0, done.stderr
    return bench


@pytest.fixture(scope="module")
def report(bench: Bench) -> Path:
    return bench.job / "reports" / "report-1.html"


def test_report_shows_hostile_notes_as_text_and_asks_for_nothing(
    report: Path, visit: Opener
) -> None:
    seen = visit(report)
    words = seen.page.locator("main").inner_text()
    assert HOSTILE in words
    assert ALPHABETS in words
    assert DONOR_VIN not in seen.page.content()
    assert VEHICLE_VIN in words
    photo = seen.page.locator("img")
    assert photo.count() == 1
    assert photo.evaluate("image => image.naturalWidth") == 60
    assert HOSTILE in (photo.get_attribute("alt") or "")


@pytest.mark.parametrize("dark", [False, True], ids=["light", "dark"])
def test_axe_finds_nothing_that_weighs_in_report_and_start(
    bench: Bench, report: Path, visit: Opener, dark: bool
) -> None:
    for path in (report, bench.folder / "start.html"):
        seen = visit(path, dark=dark)
        assert seen.find_faults() == []


def test_a_dark_report_has_no_white_blocks(report: Path, visit: Opener, tmp_path: Path) -> None:
    seen = visit(report, dark=True)
    # The photo is as it was taken.
    seen.page.evaluate("document.querySelectorAll('img').forEach(image => image.remove())")
    seen.page.screenshot(path=tmp_path / "dark.png", full_page=True)
    with Photo.open(tmp_path / "dark.png") as shot:
        grey = shot.convert("L")
        blocks = grey.resize((grey.width // 16, grey.height // 16), Photo.Resampling.BOX)
    light = sum(count for count, value in blocks.getcolors(1 << 20) or [] if int(str(value)) > 200)
    # Letters and dark cells turned light fill a block now and then; no picture's ground does.
    assert light < 0.002 * blocks.width * blocks.height


def test_the_report_is_read_by_few_stops(report: Path, visit: Opener) -> None:
    seen = visit(report)
    seen.page.keyboard.press("Tab")
    assert seen.page.evaluate("document.activeElement.className") == "skip"
    seen.page.keyboard.press("Enter")
    assert seen.page.evaluate("document.activeElement.id") == "content"
    stops = seen.page.locator("a, button, input, select, [tabindex='0']").count()
    assert stops == 1


def test_phone_shows_report_and_start_without_scrolling_sideways(
    bench: Bench, report: Path, visit: Opener
) -> None:
    for path in (report, bench.folder / "start.html"):
        seen = visit(path, size=PHONE)
        assert seen.page.evaluate("document.documentElement.scrollWidth") <= 390


def test_start_page_answers_at_a_glance(bench: Bench, visit: Opener) -> None:
    seen = visit(bench.folder / "start.html")
    answers, step = (seen.page.locator(".facts").nth(number) for number in (0, 1))
    words = answers.inner_text()
    for text in ("2 identical reads", "one family?", VEHICLE_VIN, DONOR_VIN, "what differs"):
        assert text in words
    assert "benchimage check --stage donor" in step.inner_text()
    # The four answers and the next step stand above the fold of a laptop.
    box = step.bounding_box()
    assert box
    assert box["y"] + box["height"] < 900


@pytest.mark.parametrize(("paper", "size"), [("a4", "594.96 x 841.92"), ("letter", "612 x 792")])
def test_report_prints_on_the_sheet_that_was_asked_for(
    bench: Bench, visit: Opener, tmp_path: Path, paper: str, size: str
) -> None:
    number = {"a4": 1, "letter": 2}[paper]
    path = bench.job / "reports" / f"report-{number}.html"
    if not path.exists():
        bench.in_job("report", "--paper", paper, "--no-pdf")
    seen = visit(path)
    (tmp_path / "print.pdf").write_bytes(seen.page.pdf(prefer_css_page_size=True))
    told = subprocess.run(
        [require("pdfinfo"), str(tmp_path / "print.pdf")],
        capture_output=True,
        text=True,
        check=True,
    )
    assert f"Page size:       {size}" in told.stdout
    # A print in dark mode is as light as any.
    seen.page.emulate_media(media="print", color_scheme="dark")
    assert seen.page.evaluate("getComputedStyle(document.body).color") == "rgb(0, 0, 0)"
