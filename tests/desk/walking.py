"""The desk with one screen in front, walked by keys."""

from __future__ import annotations

from collections.abc import Awaitable, Callable
from pathlib import Path

from textual.pilot import Pilot
from textual.widgets import Input

from memtool.desk.app import DeskApp
from memtool.desk.screen import DeskScreen
from memtool.desk.session import Session
from memtool.store.desk_state import DeskState
from memtool.workflow.places import find_store
from tests.desk.sitting import Sitting, run, screen_text

Walk = Callable[[Pilot[int], DeskApp], Awaitable[None]]


def session(folder: Path) -> Session:
    """A sitting with the store of a bench, and nothing remembered of the person who tests."""
    return Session(folder=folder, stores=find_store(folder / "store"), state=DeskState())


def walk(
    desk: Session,
    make: Callable[[Session], DeskScreen],
    steps: Walk,
    *,
    size: tuple[int, int] = (80, 24),
) -> None:
    """Open the desk, put the screen in front, and do `steps`."""

    async def sit() -> None:
        app = DeskApp(desk)
        async with app.run_test(size=size) as pilot:
            app.push_screen(make(desk))
            await settle(pilot)
            await steps(pilot, app)

    run(sit())


async def settle(pilot: Pilot[int]) -> None:
    """Until the desk has nothing left to do."""
    assert isinstance(pilot.app, DeskApp)
    await Sitting(pilot.app, pilot).settle()


async def press(pilot: Pilot[int], *keys: str) -> None:
    """Keys one after the other, each when the one before has done its work."""
    assert isinstance(pilot.app, DeskApp)
    await Sitting(pilot.app, pilot).press(*keys)


async def answer(pilot: Pilot[int], text: str) -> None:
    """Type into the line that asks, and press Enter."""
    pilot.app.screen.query_one(Input).value = text
    await press(pilot, "enter")


def text_of(app: DeskApp) -> str:
    """What stands on the screen, line by line; its styles and colours are left out."""
    return screen_text(app)
