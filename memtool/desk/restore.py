"""Give a backup back as a file: of a job, or any that the store keeps."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from functools import partial
from pathlib import Path
from typing import Any, ClassVar

from rich.text import Text
from textual.binding import Binding
from textual.content import Content
from textual.widget import Widget
from textual.widgets import DataTable, Static

from memtool.core.job.backup import Backup
from memtool.desk.dialogs import Ask
from memtool.desk.looks import as_plain
from memtool.desk.results import ResultScreen
from memtool.desk.screen import DeskScreen
from memtool.desk.session import Session, near
from memtool.errors import UsageError
from memtool.render.text.backup_view import LIST_HEADINGS, list_cells, render_restored
from memtool.render.text.desk_words import FILE_TO_MAKE
from memtool.render.words import safe_text
from memtool.workflow.context import clock
from memtool.workflow.restoring import Restored, find_backup, restore_backup

_SUFFIXES = {"raw": ".bin", "intel-hex": ".hex", "s-record": ".s19"}


class RestoreScreen(DeskScreen):
    """The backups; Enter gives one back."""

    NAME = "Restore a backup"
    BINDINGS: ClassVar[list[Any]] = [Binding("enter", "give", "Give it back", priority=True)]

    def __init__(self, desk: Session, job: Path | None = None) -> None:
        super().__init__(desk, job)
        self._entries: Sequence[Backup] = ()

    def body(self) -> Iterable[Widget]:
        """A table, and the place of the store."""
        table: DataTable[Text] = DataTable(id="backups", cursor_type="row")
        yield table
        yield Static(Content(safe_text(str(near(self.desk.stores.folder)))), id="under")

    def on_mount(self) -> None:
        """List them."""
        table = self.query_one(DataTable)
        for heading in LIST_HEADINGS:
            table.add_column(heading)
        self._entries = self.attempt(self._find) or ()
        for entry in self._entries:
            table.add_row(*as_plain(list_cells(entry)))
        table.focus()

    def _find(self) -> Sequence[Backup]:
        """Those of the job, or all, newest first.

        Raises:
            MemtoolError: the store cannot be read.
        """
        try:
            entries = tuple(reversed(self.desk.store.entries()))
        except UsageError as error:
            if error.code == "no-store":
                return ()
            raise
        if self.folder is None:
            return entries
        wanted = {backup.backup for backup in self.desk.job(self.folder).job.backups}
        return [entry for entry in entries if entry.id in wanted]

    def action_give(self) -> None:
        """Ask where the file is to lie."""
        if not self._entries:
            return
        entry = self._entries[self.query_one(DataTable).cursor_row]
        folder = self.folder or self.desk.folder
        name = f"restored-{entry.id}{_SUFFIXES.get(str(entry.reads[0].format), '.bin')}"
        self.app.push_screen(
            Ask(FILE_TO_MAKE, value=str(folder / name)),
            partial(self._give, entry.id),
        )

    def _give(self, backup: str, out: str | None) -> None:
        if not out:
            return

        def give() -> Restored:
            opened = None if self.folder is None else self.desk.job(self.folder)
            entry = find_backup(self.desk.store, opened, backup)
            return restore_backup(
                self.desk.store, opened, entry, number=0, to=None, out=Path(out), now=clock()
            )

        self.work("giving the backup back", lambda _: give(), partial(self._given, backup, out))

    def _given(self, backup: str, out: str, done: Restored) -> None:
        command = self.desk.tell("backup", "restore", backup, "--out", out, job=self.folder)
        self.app.switch_screen(
            ResultScreen(
                self.desk,
                "Backup given back",
                lambda: render_restored(done, out, image_sha256=done.entry.reads[0].sha256),
                command=command,
                job=self.folder,
            )
        )
