"""What every screen of the desk has: a title, a body, and its keys, which are buttons too."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from pathlib import Path
from typing import TYPE_CHECKING, Any, ClassVar, TypeVar

from textual.app import ComposeResult
from textual.binding import Binding
from textual.containers import Vertical
from textual.content import Content
from textual.screen import Screen
from textual.widget import Widget
from textual.widgets import Static

from memtool.desk import rooms
from memtool.desk.keys import KeyBar
from memtool.desk.session import Session
from memtool.errors import MemtoolError
from memtool.render.words import safe_text

if TYPE_CHECKING:
    from memtool.desk.working import Tell

T = TypeVar("T")


class DeskScreen(Screen[Any]):
    """A full screen of the desk."""

    NAME: ClassVar[str] = ""
    """What stands in its title."""

    def __init__(self, desk: Session, job: Path | None = None) -> None:
        super().__init__()
        self.desk = desk
        self.folder = job
        """Of the job that the screen is about."""

    def compose(self) -> ComposeResult:
        """Title, body, keys."""
        yield Static(self._title(self.heading()), id="title")
        with Vertical(id="body"):
            yield from self.body()
        yield KeyBar(id="keys")

    def body(self) -> Iterable[Widget]:
        """What the screen shows between title and keys."""
        return ()

    def heading(self) -> str:
        """What stands in the title at first."""
        return self.NAME

    def on_mount(self) -> None:
        """Tell the keys. Textual calls this after a screen's own `on_mount`, by itself."""
        self.query_one(KeyBar).show(self)

    def tell_title(self, text: str) -> None:
        """Another title."""
        self.query_one("#title", Static).update(self._title(text))

    def _title(self, text: str) -> Content:
        return Content(f"benchimage · {safe_text(text)}")

    def say(self, error: MemtoolError | str) -> None:
        """Show a sentence that has to be read; the screen stays as it is."""
        self.app.push_screen(rooms.notice.Notice(str(error)))

    def attempt(self, work: Callable[[], T]) -> T | None:
        """What `work` gives; None after a notice where it could not be done."""
        try:
            return work()
        except MemtoolError as error:
            self.say(error)
            return None

    def work(
        self,
        what: str,
        work: Callable[[Tell], T],
        done: Callable[[T], None],
        *,
        can_stop: bool = False,
    ) -> None:
        """Run `work` beside the screen, say how far it is, and give its result to `done`.

        Args:
            what: What is done, for the person.
            work: Is given a function that takes how far it is.
            done: Called in the screen's own thread; not after an error, which is shown.
            can_stop: Whether Escape stops it: it must tell how far it is, often.
        """
        self.app.push_screen(rooms.working.Working(what, work, done, self.say, can_stop=can_stop))

    def refill(self) -> None:
        """Show what is there now, after something was changed."""

    def action_back(self) -> None:
        """Leave the screen."""
        self.dismiss(None)

    BINDINGS: ClassVar[list[Any]] = [Binding("escape", "back", "Back")]
