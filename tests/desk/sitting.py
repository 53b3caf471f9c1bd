"""A person at the desk: keys and clicks on the real screens, without a terminal."""

from __future__ import annotations

import asyncio
import os
import shutil
import time
from collections.abc import AsyncIterator, Coroutine, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import asynccontextmanager, contextmanager
from pathlib import Path
from typing import Any, TypeVar
from unittest.mock import patch

from textual.pilot import Pilot
from textual.widgets import DirectoryTree, Static

from memtool.desk.app import DeskApp
from memtool.desk.keys import KeyBar
from memtool.desk.notice import Notice
from memtool.desk.session import Session
from memtool.desk.working import Working
from memtool.workflow.places import find_store
from tests.command_line import ROOT

T = TypeVar("T")
IMAGES = ROOT / "test_images"
_NAMES = {" ": "space", ",": "comma", "-": "minus", ".": "full_stop", "/": "slash"}


def put_reads(folder: Path, start: str) -> None:
    """Copy the demo's files that begin so, each read a minute after the one before."""
    folder.mkdir(parents=True, exist_ok=True)
    found = sorted(path for path in IMAGES.iterdir() if path.name.startswith(start))
    for number, path in enumerate(found):
        copy = folder / path.name
        shutil.copyfile(path, copy)
        then = time.time() - 60 * (60 - number)
        os.utime(copy, (then, then))


def run(sitting: Coroutine[Any, Any, T]) -> T:
    """What comes of it, in a thread of its own: a browser's test leaves a loop in this one."""
    with ThreadPoolExecutor(max_workers=1) as pool:
        return pool.submit(asyncio.run, sitting).result()


@contextmanager
def _not_waiting() -> Iterator[None]:
    """Without Pilot's own wait for the processor; `Sitting.settle` looks at the messages."""

    async def pass_on(_least: float = 0) -> None:
        await asyncio.sleep(0)

    with patch("textual.app.wait_for_idle", pass_on), patch("textual.pilot.wait_for_idle", pass_on):
        yield


class Sitting:
    """The desk under a person's hands; counts the keys."""

    def __init__(self, app: DeskApp, pilot: Pilot[int]) -> None:
        self.app = app
        self.pilot = pilot
        self.keys = 0

    async def press(self, *keys: str) -> None:
        """Press keys, and wait after each until the desk has nothing left to do."""
        for key in keys:
            self.keys += 1
            await self._send(key)

    async def type(self, text: str) -> None:
        """Type a text."""
        self.keys += len(text)
        for each in text:
            await self._send(_NAMES.get(each, each))

    async def _send(self, key: str) -> None:
        with _not_waiting():
            await self.pilot.press(key)
        await self.settle()

    async def settle(self) -> None:
        """Wait until no work runs and no message is on its way."""
        quiet = 0
        for _ in range(6000):
            before = self.app.screen
            # With a pause of its own Pilot waits for the processor to rest, which takes long.
            await self.pilot.pause(0)
            if self._is_busy():
                await asyncio.sleep(0.01)
            is_quiet = before is self.app.screen and not (self._is_busy() or self._has_messages())
            quiet = quiet + 1 if is_quiet else 0
            if quiet == 4:
                return
        raise AssertionError("the desk is still at work")

    def _has_messages(self) -> bool:
        screen = self.app.screen
        if screen._dirty_widgets or screen._layout_required:
            return True
        pumps = (self.app, *screen.walk_children(with_self=True))
        if any(getattr(each, "_require_update_dimensions", False) for each in pumps):
            return True
        return any(each._message_queue.qsize() or each._next_callbacks for each in pumps)

    def _is_busy(self) -> bool:
        # A tree of files has a worker of its own that ends with the tree.
        workers = [each for each in self.app.workers if each.is_running and each.name != "_loader"]
        trees = self.app.screen.query(DirectoryTree)
        is_loading = any(getattr(tree._load_queue, "_unfinished_tasks", 0) for tree in trees)
        return bool(workers) or is_loading or isinstance(self.app.screen, Working)

    async def click_key(self, words: str) -> None:
        """Click on a key below the screen, by its words."""
        bar = self.app.screen.query_one(KeyBar)
        for y, line in enumerate(str(bar.render()).split("\n")):
            if words in line:
                at = (line.index(words) + 1 + bar.gutter.left, y)
                with _not_waiting():
                    await self.pilot.click(bar, offset=at)
                await self.settle()
                return
        raise AssertionError(f"no key says {words}: {bar.render()}")

    async def until(self, words: str) -> None:
        """Wait for what is looked up beside the screen."""
        for _ in range(600):
            await self.settle()
            if words in self.text():
                return
            await asyncio.sleep(0.02)
        raise AssertionError(f"the screen never said {words}:\n{self.text()}")

    async def click_text(self, words: str) -> None:
        """Click on a word of the screen."""
        for y, line in enumerate(self.text().split("\n")):
            if words in line:
                with _not_waiting():
                    await self.pilot.click(offset=(line.index(words) + 1, y))
                await self.settle()
                return
        raise AssertionError(f"the screen does not say {words}:\n{self.text()}")

    @property
    def screen(self) -> str:
        """Name of the screen in front."""
        return type(self.app.screen).__name__

    def text(self) -> str:
        """All that the screen shows, line by line, as a person would read it."""
        return screen_text(self.app)

    def notice(self) -> str:
        """The sentence that has to be read."""
        assert isinstance(self.app.screen, Notice), self.screen
        return self.app.screen.text

    def verdict(self) -> str:
        """What stands first on a result."""
        return str(self.app.screen.query_one("#verdict", Static).render())


def screen_text(app: DeskApp) -> str:
    """What is on the screen, without looks."""
    width, height = app.size
    lines = app.screen._compositor.render_strips()
    return "\n".join(
        "".join(segment.text for segment in strip)[:width].rstrip() for strip in lines[:height]
    )


@asynccontextmanager
async def sit_down(
    folder: Path, *, size: tuple[int, int] = (100, 30), job: Path | None = None
) -> AsyncIterator[Sitting]:
    """The desk in a folder, with its own store and its own memory of folders and looks."""
    app = DeskApp(Session(folder=folder, stores=find_store(folder / "store")), job)
    async with app.run_test(size=size) as pilot:
        sitting = Sitting(app, pilot)
        await sitting.settle()
        yield sitting


def touch(path: Path) -> Path:
    """The read was made just now."""
    os.utime(path)
    return path


async def answer_order(
    sitting: Sitting, order: str, vin: str, *, authority: str = "registration seen"
) -> None:
    """Open a new job from the first screen and answer what is asked of its order."""
    await sitting.press("f2")
    await sitting.type(order)
    await sitting.press("enter", "enter", "enter")
    await sitting.type(vin)
    await sitting.press("enter", "enter", "enter")
    await sitting.type(authority)
    await sitting.press("enter", "enter", "enter", "enter", "enter")
    await sitting.type("RA")
    await sitting.press("enter")
