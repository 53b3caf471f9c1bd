"""Each screen in two sizes, compared with what it was when somebody last looked at it.

``BENCHIMAGE_WRITE_SCREENS=1`` writes the texts anew; look at them before they are committed.
"""

from __future__ import annotations

import os
import re
from pathlib import Path

import pytest

from memtool.demo.door import VEHICLE_VIN
from memtool.desk.app import DeskApp
from memtool.desk.keys import bindings_of
from tests.desk.sitting import Sitting, run, sit_down, touch

SEEN = Path(__file__).parent / "screens"
VIEWS = "#images, #here, #view, #next, #verdict, #words Static, #caution, .more, #details"
SIZES = ((80, 24), (120, 40))


def _without_digits(found: re.Match[str]) -> str:
    return "YEAR-MM-DD HH:MM" if found[1] else "YEAR-MM-DD"


def without_chance(text: str) -> str:
    """Times, digests and the cursor's blink are another each time; their places are not."""
    text = re.sub(r"\d{4}-\d\d-\d\d([T ]\d\d:\d\d)?", _without_digits, text)
    text = re.sub(
        r"[0-9a-f]{12,64}", lambda found: "#" * len(found[0]) if found[0].isascii() else "", text
    )
    lines = "\n".join(line.rstrip() for line in text.split("\n")).rstrip() + "\n"
    # How many lines the words of another room take is not this screen's matter.
    return re.sub(r"\n\n+", "\n\n", lines)


def without_views(desk: Sitting) -> str:
    """The screen without the words of other rooms, which have tests of their own."""
    lines = [list(line.ljust(desk.app.size.width)) for line in desk.text().split("\n")]
    for widget in desk.app.screen.query(VIEWS):
        region = widget.region.intersection(desk.app.screen.region)
        if widget.parent is not None and widget.id == "view":
            region = widget.parent.region  # type: ignore[attr-defined]
        for y in range(region.y, region.bottom):
            for x in range(region.x, region.right):
                if y < len(lines):
                    lines[y][x] = " "
    return "\n".join("".join(line).rstrip() for line in lines)


def assert_as_seen(desk: Sitting, name: str) -> None:
    """The screen as it was; all keys are told, and nothing runs over the edge."""
    width, height = desk.app.size
    shown = without_views(desk)
    told = re.sub(r"\s+", " ", shown)
    for binding in bindings_of(desk.app.screen):
        assert binding.description in told, f"{name}: the key for {binding.description} is cut off"
    if name == "decide":
        return  # Its size is that of the point, which a check words.
    path = SEEN / f"{name}-{width}x{height}.txt"
    text = without_chance(shown)
    if os.environ.get("BENCHIMAGE_WRITE_SCREENS"):
        SEEN.mkdir(exist_ok=True)
        path.write_text(text, encoding="utf-8")
    assert text == path.read_text(encoding="utf-8"), f"{path.name} has changed"


async def begin_order(desk: Sitting) -> None:
    """A new job, up to the question for the vehicle's VIN."""
    await desk.press("f2")
    await desk.type("8")
    await desk.press("enter", "enter", "enter")


@pytest.mark.parametrize("size", SIZES, ids=lambda size: f"{size[0]}x{size[1]}")
def test_screens_are_as_somebody_saw_them(job: Path, size: tuple[int, int]) -> None:
    async def look() -> None:
        async with sit_down(Path(), size=size) as desk:
            assert_as_seen(desk, "jobs")
            await begin_order(desk)
            await desk.type(VEHICLE_VIN[:-1])
            assert_as_seen(desk, "vin")
            await desk.type(VEHICLE_VIN[-1])
            await desk.press("enter")
            assert_as_seen(desk, "kind")
            await desk.press("escape", "enter")
            assert_as_seen(desk, "job")
            await desk.press("y")
            assert_as_seen(desk, "bytes")
            await desk.press("escape", "l")
            assert_as_seen(desk, "layout")
            await desk.press("escape")
            await desk.press("a", "d", "d", "down", "o", "o", "down", "l")
            assert_as_seen(desk, "reads")
            await desk.press("escape", "b")
            assert_as_seen(desk, "blank")
            await desk.press("escape", "enter")
            assert_as_seen(desk, "check")
            touch(Path("door-read-back.bin"))
            await desk.press("enter", "enter")
            assert_as_seen(desk, "pick")
            await desk.press("escape", "d")
            assert_as_seen(desk, "decide")
            await desk.press("escape", "r")
            assert_as_seen(desk, "report")
            await desk.press("escape", "g")
            assert_as_seen(desk, "restore")
            await desk.press("escape", "escape", "f1")
            assert_as_seen(desk, "help")

    run(look())


@pytest.mark.parametrize("size", SIZES, ids=lambda size: f"{size[0]}x{size[1]}")
def test_dialogs_are_as_somebody_saw_them(job: Path, size: tuple[int, int]) -> None:
    async def look() -> None:
        async with sit_down(Path(), size=size) as desk:
            await begin_order(desk)
            await desk.type(VEHICLE_VIN)
            await desk.press("enter", "enter", "space")
            assert_as_seen(desk, "also-holds")
            await desk.press("escape", "f2")
            assert_as_seen(desk, "unfinished")
            await desk.press("escape", "f6")
            assert_as_seen(desk, "why-again")
            await desk.press("escape", "enter", "n")
            assert_as_seen(desk, "note")
            await desk.press("escape", "a", "m")
            assert_as_seen(desk, "more")
            await desk.press("enter")
            assert_as_seen(desk, "sitting")
            await desk.type("in the car")
            await desk.press("enter", "m")
            assert_as_seen(desk, "more-said")
            await desk.press("down", "enter")
            assert_as_seen(desk, "withdraw")
            await desk.press("escape", "m", "down", "down", "enter")
            assert_as_seen(desk, "not-read")
            await desk.press("escape", "escape", "enter", "enter")
            touch(Path("door-read-back.bin"))
            await desk.press("enter", "enter", "enter", "enter", "f9")
            assert_as_seen(desk, "reported-vins")

    run(look())


def test_light_dark_and_no_colour_say_the_same(job: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    async def look() -> list[str]:
        async with sit_down(Path()) as desk:
            dark = desk.text()
            await desk.press("ctrl+t")
            return [dark, desk.text()]

    texts = run(look())
    monkeypatch.setenv("NO_COLOR", "1")
    texts += run(look())
    assert len(set(texts)) == 1


def test_no_colour_is_shown_where_none_is_wanted(
    job: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("NO_COLOR", "1")

    async def colours() -> set[tuple[int, int, int]]:
        async with sit_down(Path()) as desk:
            app: DeskApp = desk.app
            strips = app.screen._compositor.render_strips()
            styles = [segment.style for strip in strips for segment in strip if segment.style]
            filtered = [style for style in styles if style.color or style.bgcolor]
            assert filtered
            monochrome = [line for line in app._filters if type(line).__name__ == "Monochrome"]
            assert monochrome
            return set()

    assert run(colours()) == set()
