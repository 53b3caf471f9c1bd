"""Look at files that need belong to no job: format, health, VINs, fields, checksums."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any, ClassVar

from textual.binding import Binding

from memtool.desk.bytes import BytesScreen
from memtool.desk.picking_files import PickFile
from memtool.desk.results import ResultScreen
from memtool.desk.session import Session
from memtool.render.text import inspect_view
from memtool.render.text.desk_words import LOOK_AT_FILES
from memtool.workflow.inspecting import Look, look_at
from memtool.workflow.pages import read_facts

_MOST = 8


class LookedAt(ResultScreen):
    """What was found in files, and a key to their bytes."""

    BINDINGS: ClassVar[list[Any]] = [Binding("y", "bytes", "Bytes")]
    files: tuple[str, ...] = ()
    """Paths."""

    def with_bytes(self, files: Sequence[str]) -> LookedAt:
        """The same screen, which knows the files whose bytes can be looked at."""
        self.files = tuple(files)
        return self

    def action_bytes(self) -> None:
        """Look at the bytes of the files, several against each other."""
        self.app.push_screen(BytesScreen(self.desk, images=self.files))


class LookScreen(PickFile):
    """Pick the reads of one memory, then look at them."""

    def __init__(self, desk: Session) -> None:
        super().__init__(desk, LOOK_AT_FILES, most=_MOST)

    def picked(self, paths: tuple[Path, ...]) -> None:
        """Look at them; the tree stays for the next."""
        names = [str(path) for path in paths]

        def look() -> Look:
            context = self.desk.context(None)
            return look_at(context, names, context.load_all(names))

        self.work("looking at the image", lambda _: look(), lambda seen: self._show(names, seen))

    def _show(self, names: list[str], seen: Look) -> None:
        facts = [read_facts(read) for read in seen.loaded]
        reason = seen.shown.choice.reason
        self.app.push_screen(
            LookedAt(
                self.desk,
                ", ".join(Path(name).name for name in names),
                lambda: inspect_view.render_inspection(
                    facts, seen.inspection, layout_reason=reason
                ),
                command=self.desk.tell("inspect", *names),
            ).with_bytes(names)
        )
