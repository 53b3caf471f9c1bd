"""Reads picked from a tree: each looked at at once, with its role and memory beside it."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import Any

from rich.text import Text
from textual.content import Content
from textual.widget import Widget
from textual.widgets import DataTable, Static

from memtool.core.job.order import Order
from memtool.core.names import JOURNAL
from memtool.core.role import Role
from memtool.core.span import format_span
from memtool.core.words import count_of
from memtool.desk.dialogs import Choose
from memtool.desk.kept_answers import list_answers, with_answers, without_answers
from memtool.desk.looks import as_cell
from memtool.desk.picking_files import FileTree, TreeScreen
from memtool.desk.session import Session, near
from memtool.errors import MemtoolError
from memtool.render.cautions import caution_beside
from memtool.render.questions import tell_more_of_reads
from memtool.render.text.desk_words import ask_memory
from memtool.render.text.given_reads import READ_HEADINGS, read_cells
from memtool.render.words import safe_text
from memtool.store.desk_state import PickedFile
from memtool.store.layouts import read_layout
from memtool.workflow.given_reads import (
    require_no_mix_up,
)
from memtool.workflow.jobs import OpenJob
from memtool.workflow.loading import load_read
from memtool.workflow.order_facts import make_order
from memtool.workflow.start import (
    GivenRead,
    StartRequest,
    find_chips,
    memory_of_read,
    require_one_file_a_read,
)
from memtool.workflow.taking_over import OlderJob

_LAYOUT = "layout"


class PickedReads(TreeScreen):
    """What was picked up to now, and what is known of it."""

    NAME = "Reads of the modules"

    def __init__(
        self,
        desk: Session,
        job: Path,
        facts: Mapping[str, str | None] | None = None,
        *,
        older: OlderJob | None = None,
        reason: str | None = None,
    ) -> None:
        """Make it.

        Args:
            desk: Of this sitting.
            job: Job folder; created if new.
            facts: Of a new order, by the names in `Order`; None: the job is there.
            older: The job whose reads the new one begins with.
            reason: Why it does.
        """
        super().__init__(desk, job)
        self.job_folder = job
        self.facts = facts
        self.reads: list[GivenRead] = []
        self.opened: OpenJob | None = None
        self.request = StartRequest(folder=job, order=Order(), older=older, reason=reason)

    def body(self) -> Iterable[Widget]:
        """The tree, what was given, and the caution that belongs to it."""
        yield self.file_tree()
        table: DataTable[str | Text] = DataTable(id="given", cursor_type="none")
        table.can_focus = False
        yield table
        yield Static(Content(""), id="under")
        yield Static(Content(caution_beside("reads") or ""), id="caution")

    def on_mount(self) -> None:
        """Headings; the job, where there is one."""
        table = self.query_one("#given", DataTable)
        for heading in READ_HEADINGS:
            table.add_column(heading)
        if (self.job_folder / JOURNAL).exists():
            self.opened = self.attempt(lambda: self.desk.job(self.job_folder))
        order = None if self.facts is None else self.attempt(lambda: make_order(self.facts or {}))
        if order is not None:
            self.request = replace(self.request, order=order)
        if self.request.older is None:
            self._take_up()
        self.show()

    def _take_up(self) -> None:
        """What was picked before and never backed up; a file that is no more so is named."""
        faults = []
        for picked in self.desk.picked_before(self.place()):
            path = near(Path(picked.path))
            try:
                if picked.role == _LAYOUT:
                    read_layout(path)
                    self.request = replace(self.request, layouts=(*self.request.layouts, path))
                else:
                    given = self._load(Role(picked.role), path)
                    self.reads.append(replace(given, memory=picked.memory))
            except (MemtoolError, ValueError) as error:
                faults.append(str(error))
        self.request = with_answers(self.request, self.desk.answers_before(self.place()))
        if faults:
            self.say("\n".join(faults))

    def place(self) -> Path | None:
        """Of what is remembered: the job's folder, or None of an order that is not there yet."""
        return None if self.opened is None else self.job_folder

    def _keep(self) -> None:
        """Remember what was picked up to now."""
        if self.request.older is not None:
            return
        reads = (
            PickedFile(role=each.role.value, memory=each.memory, path=each.read.path)
            for each in self.reads
        )
        layouts = (
            PickedFile(role=_LAYOUT, memory=None, path=str(path)) for path in self.request.layouts
        )
        answers = list_answers(self.request)
        fault = self.desk.keep_picked((*reads, *layouts), answers, self.place())
        if fault is not None:
            self.notify(fault)

    def settle(self, **answers: Any) -> None:
        """Take what was answered or said, by its names in the request, and keep it."""
        self.request = replace(self.request, **answers)
        self._keep()

    def unsay(self) -> None:
        """Forget all that was answered or said; the files stay."""
        self.request = without_answers(self.request)
        self._keep()
        self.show()

    def chips(self) -> dict[str, str]:
        """The memories that are known up to now, with their chips.

        Raises:
            MemtoolError: a layout cannot be read.
        """
        older = self.request.older
        known = older.opened if older is not None else self.opened
        return find_chips(self.request, {} if known is None else known.job.chips)

    def action_role(self, role: str) -> None:
        """The file under the cursor is a read of that module."""
        path = self._path()
        if path is None:
            return
        given = self.attempt(lambda: self._load(Role(role), path))
        if given is None:
            return
        self.keep_folder(path)
        chips = self.attempt(self.chips) or {}
        memory = memory_of_read(self.request, given, chips)
        if memory is None and len(chips) > 1:
            names = list(chips)
            size = count_of(given.read.image.size, "byte")
            question = ask_memory(path.name, size)
            self.app.push_screen(Choose(question, names), partial(self._of_memory, given, names))
        else:
            self._add(given)

    def _load(self, role: Role, path: Path) -> GivenRead:
        given = GivenRead(role=role, memory=None, read=load_read(path))
        require_one_file_a_read((*self.reads, given))
        require_no_mix_up(given, self.reads)
        return given

    def _of_memory(self, given: GivenRead, names: list[str], number: int | None) -> None:
        if number is not None:
            self._add(replace(given, memory=names[number]))

    def _add(self, given: GivenRead) -> None:
        self.reads.append(given)
        self.show()
        self._keep()
        self.query_one(FileTree).action_cursor_down()

    def _path(self) -> Path | None:
        path = self.query_one(FileTree).path_here
        return near(path) if path is not None and path.is_file() else None

    def action_layout(self) -> None:
        """The file under the cursor is a layout."""
        path = self._path()
        if path is None or path in self.request.layouts:
            return
        loaded = self.attempt(lambda: read_layout(path))
        if loaded is not None:
            self.request = replace(self.request, layouts=(*self.request.layouts, path))
            self.keep_folder(path)
            self.show()
            self._keep()
            self.query_one(FileTree).action_cursor_down()

    def action_drop(self) -> None:
        """Take the file under the cursor back, or the newest."""
        path = self._path()
        kept = [given for given in self.reads if Path(given.read.path) != path]
        if path is not None and path in self.request.layouts:
            layouts = tuple(each for each in self.request.layouts if each != path)
            self.request = replace(self.request, layouts=layouts)
        elif len(kept) == len(self.reads):
            kept = kept[:-1]
        if len(kept) < len(self.reads) and not kept:
            # What was asked of files that are gone is asked of others anew.
            self.settle(memories={}, single_read={}, reseated=None, reader_orders={})
        self.reads = kept
        self.show()
        self._keep()

    def show(self) -> None:
        chips = self.attempt(self.chips) or {}
        table = self.query_one("#given", DataTable)
        table.clear()
        placed: list[tuple[Role, str | None, GivenRead]] = []
        for given in self.reads:
            memory = memory_of_read(self.request, given, chips)
            before = [
                each.read.image
                for role, name, each in placed
                if (role, name) == (given.role, memory)
                # Of memories that nobody named yet the size alone tells reads apart.
                and (memory is not None or each.read.image.size == given.read.image.size)
            ]
            cells = read_cells(
                role=given.role,
                memory=memory,
                name=Path(given.read.path).name,
                format=given.read.format.value,
                image=given.read.image,
                before=before,
            )
            table.add_row(*map(as_cell, cells))
            placed.append((given.role, memory, given))
        request = self.request
        said = tell_more_of_reads(
            layouts=[path.name for path in request.layouts],
            memories=request.memories,
            single=request.single_read.get(None),
            reseated=request.reseated,
            reader_orders={name: each.order for name, each in request.reader_orders.items()},
            sitting=request.sitting,
            withdrawn=request.replaces,
            not_read=[format_span(span) for _, span in request.not_read],
            unreadable=bool(request.unreadable),
            reason=request.reason,
        )
        self.query_one("#under", Static).update(Content(safe_text(said)))
