"""The customer file and the page of `start` in a real browser, opened from a file."""

from __future__ import annotations

import io
import subprocess
from pathlib import Path

import pytest
from PIL import Image as Photo

from tests.browser.conftest import PHONE, Opener
from tests.build import DONOR_VIN, VEHICLE_VIN
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


def test_phone_shows_report_and_start_without_scrolling_sideways(
    bench: Bench, report: Path, visit: Opener
) -> None:
    for path in (report, bench.folder / "start.html"):
        seen = visit(path, size=PHONE)
        assert seen.page.evaluate("document.documentElement.scrollWidth") <= 390


def test_start_page_answers_at_a_glance(bench: Bench, visit: Opener) -> None:
    seen = visit(bench.folder / "start.html")
    words = seen.page.locator(".facts").first.inner_text()
    for text in ("2 reads agree", "one family?", VEHICLE_VIN, DONOR_VIN, "benchimage check"):
        assert text in words
    # The five answers stand above the fold of a laptop.
    box = seen.page.locator(".facts").first.bounding_box()
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
        ["pdfinfo", str(tmp_path / "print.pdf")], capture_output=True, text=True, check=True
    )
    assert f"Page size:       {size}" in told.stdout
    # A print in dark mode is as light as any.
    seen.page.emulate_media(media="print", color_scheme="dark")
    assert seen.page.evaluate("getComputedStyle(document.body).color") == "rgb(0, 0, 0)"
