"""One function of the workflow, run beside the screen.

It runs in a thread of its own and only posts: how far it is, its result, or its error. A
thread that the desk's end cuts off is a command that was cut off: the journal's intents make
it good, so that all of it is there or nothing.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from contextlib import suppress
from typing import Any, ClassVar, Generic, TypeVar

from textual.app import ComposeResult
from textual.binding import Binding
from textual.containers import Vertical
from textual.content import Content
from textual.screen import ModalScreen
from textual.widgets import Static

from memtool.desk.keys import KeyBar
from memtool.errors import MemtoolError
from memtool.render.text.desk_words import STOPPING

T = TypeVar("T")
Tell = Callable[[int, int, str], None]
"""Takes how much is done, of how much, and at what."""
_QUIET_SECONDS = 0.2


class Stopped(Exception):  # noqa: N818 - a person's wish, no error
    """A person stopped the work."""


class Working(ModalScreen[None], Generic[T]):
    """Shown while the work runs."""

    BINDINGS: ClassVar[list[Any]] = [Binding("escape", "stop", "Stop")]

    def __init__(
        self,
        what: str,
        work: Callable[[Tell], T],
        done: Callable[[T], None],
        failed: Callable[[MemtoolError], None],
        *,
        can_stop: bool = False,
    ) -> None:
        """Make it; it begins when it is shown."""
        super().__init__()
        self._what = what
        self._work = work
        self._done = done
        self._failed = failed
        self._can_stop = can_stop
        self._is_stopped = threading.Event()
        self._begun = self._told = time.monotonic()

    def compose(self) -> ComposeResult:
        """What is done, and how far."""
        with Vertical(classes="dialog"):
            yield Static(Content(self._what), classes="question")
            yield Static(Content(""), classes="more")
            yield KeyBar()

    def on_mount(self) -> None:
        """Begin."""
        self.query_one(KeyBar).show(self)
        self.set_interval(1, self._count)
        threading.Thread(target=self._run, name=f"desk: {self._what}", daemon=True).start()

    def check_action(self, action: str, parameters: tuple[object, ...]) -> bool | None:
        """What cannot be stopped offers no key for it."""
        return self._can_stop if action == "stop" else True

    def action_stop(self) -> None:
        """Stop at the next word of the work."""
        self._is_stopped.set()
        self._show(STOPPING)

    def _count(self) -> None:
        seconds = time.monotonic() - self._begun
        if self._told == self._begun:
            self.query_one(".more", Static).update(Content(f"{seconds:.0f} s"))

    def _run(self) -> None:
        # The loop may have ended meanwhile: then nobody is there to be told.
        with suppress(RuntimeError):
            try:
                result = self._work(self._tell)
            except Stopped:
                self.app.call_from_thread(self._close)
            except MemtoolError as error:
                self.app.call_from_thread(self._end_badly, error)
            except Exception as error:  # noqa: BLE001 - a bug of ours ends the desk with a sentence
                self.app.call_from_thread(self.app._handle_exception, error)
            else:
                self.app.call_from_thread(self._end_well, result)

    def _tell(self, done: int, total: int, text: str) -> None:
        if self._is_stopped.is_set():
            raise Stopped
        now = time.monotonic()
        if now - self._told >= _QUIET_SECONDS:
            self._told = now
            line = f"{100 * done // max(1, total)} % ({text})"
            with suppress(RuntimeError):
                self.app.call_from_thread(self._show, line)

    def _show(self, line: str) -> None:
        if self.is_attached:
            self.query_one(".more", Static).update(Content(line))

    def _close(self) -> None:
        self.dismiss(None)

    def _end_badly(self, error: MemtoolError) -> None:
        self._close()
        self._failed(error)

    def _end_well(self, result: T) -> None:
        self._close()
        self._done(result)
