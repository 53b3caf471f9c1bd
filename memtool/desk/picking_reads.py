"""Reads picked from a tree: each looked at at once, with its role and memory beside it."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import Any, ClassVar

from rich.text import Text
from textual.binding import Binding
from textual.content import Content
from textual.widget import Widget
from textual.widgets import DataTable, Static

from memtool.core.health.reader_orders import OrderSign
from memtool.core.job.order import Order
from memtool.core.job.start import StartView
from memtool.core.names import JOURNAL
from memtool.core.role import Role
from memtool.core.words import count_of
from memtool.desk.dialogs import Ask, Choose
from memtool.desk.looks import as_cell
from memtool.desk.picking_files import FileTree, TreeScreen
from memtool.desk.results import ResultScreen
from memtool.desk.session import Session, near
from memtool.errors import MemtoolError
from memtool.render.cautions import caution_beside
from memtool.render.questions import (
    FIRST_MEMORY,
    RESEATED,
    SINGLE_READ,
    find_emptiness,
    order_question,
    tell_order_sign,
)
from memtool.render.text import start_view
from memtool.render.text.given_reads import READ_HEADINGS, read_cells
from memtool.render.words import safe_text
from memtool.store.desk_state import PickedFile
from memtool.store.layouts import read_layout
from memtool.workflow.context import clock
from memtool.workflow.given_reads import (
    is_several,
    is_single,
    parse_memory_answer,
    require_no_mix_up,
)
from memtool.workflow.jobs import OpenJob
from memtool.workflow.loading import load_read
from memtool.workflow.order_facts import make_order, option_words
from memtool.workflow.reader_orders import settle_asked
from memtool.workflow.start import (
    GivenRead,
    StartRequest,
    find_chips,
    list_unsure_orders,
    memory_of_read,
    require_one_file_a_read,
    start_job,
)

_YES_NO = ("yes", "no")
_LAYOUT = "layout"


class PickReads(TreeScreen):
    """Gives a job its reads; the folder of the job when they are backed up."""

    NAME = "Reads of the modules"
    BINDINGS: ClassVar[list[Any]] = [
        Binding("o", "role('original')", "Original"),
        Binding("d", "role('donor')", "Donor"),
        Binding("f", "role('reference')", "Reference"),
        Binding("l", "layout", "Layout file"),
        Binding("x", "drop", "Take back"),
        Binding("enter", "done", "Back them up", priority=True),
    ]

    def __init__(
        self, desk: Session, job: Path, facts: Mapping[str, str | None] | None = None
    ) -> None:
        """Make it.

        Args:
            desk: Of this sitting.
            job: Job folder; created if new.
            facts: Of a new order, by the names in `Order`; None: the job is there.
        """
        super().__init__(desk, job)
        self.job_folder = job
        self._facts = facts
        self._reads: list[GivenRead] = []
        self._opened: OpenJob | None = None
        self._request = StartRequest(folder=job, order=Order())

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
            self._opened = self.attempt(lambda: self.desk.job(self.job_folder))
        order = None if self._facts is None else self.attempt(lambda: make_order(self._facts or {}))
        if order is not None:
            self._request = replace(self._request, order=order)
        self._take_up()

    def _take_up(self) -> None:
        """What was picked before and never backed up; a file that is no more so is named."""
        faults = []
        for picked in self.desk.picked_before(self._place()):
            path = near(Path(picked.path))
            try:
                if picked.role == _LAYOUT:
                    read_layout(path)
                    self._request = replace(self._request, layouts=(*self._request.layouts, path))
                else:
                    given = self._load(Role(picked.role), path)
                    self._reads.append(replace(given, memory=picked.memory))
            except (MemtoolError, ValueError) as error:
                faults.append(str(error))
        self._show()
        if faults:
            self.say("\n".join(faults))

    def _place(self) -> Path | None:
        """Of what is remembered: the job's folder, or None of an order that is not there yet."""
        return None if self._opened is None else self.job_folder

    def _keep(self) -> None:
        """Remember what was picked up to now."""
        reads = (
            PickedFile(role=each.role.value, memory=each.memory, path=each.read.path)
            for each in self._reads
        )
        layouts = (
            PickedFile(role=_LAYOUT, memory=None, path=str(path)) for path in self._request.layouts
        )
        fault = self.desk.keep_picked((*reads, *layouts), self._place())
        if fault is not None:
            self.notify(fault)

    def chips(self) -> dict[str, str]:
        """The memories that are known up to now, with their chips.

        Raises:
            MemtoolError: a layout cannot be read.
        """
        known = {} if self._opened is None else self._opened.job.chips
        return find_chips(self._request, known)

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
        memory = memory_of_read(self._request, given, chips)
        if memory is None and len(chips) > 1:
            names = list(chips)
            size = count_of(given.read.image.size, "byte")
            question = f"{path.name} ({size}) was read from which memory?"
            self.app.push_screen(Choose(question, names), partial(self._of_memory, given, names))
        else:
            self._add(given)

    def _load(self, role: Role, path: Path) -> GivenRead:
        given = GivenRead(role=role, memory=None, read=load_read(path))
        require_one_file_a_read((*self._reads, given))
        require_no_mix_up(given, self._reads)
        return given

    def _of_memory(self, given: GivenRead, names: list[str], number: int | None) -> None:
        if number is not None:
            self._add(replace(given, memory=names[number]))

    def _add(self, given: GivenRead) -> None:
        self._reads.append(given)
        self._show()
        self._keep()
        self.query_one(FileTree).action_cursor_down()

    def _path(self) -> Path | None:
        path = self.query_one(FileTree).path_here
        return near(path) if path is not None and path.is_file() else None

    def action_layout(self) -> None:
        """The file under the cursor is a layout."""
        path = self._path()
        if path is None or path in self._request.layouts:
            return
        loaded = self.attempt(lambda: read_layout(path))
        if loaded is not None:
            self._request = replace(self._request, layouts=(*self._request.layouts, path))
            self.keep_folder(path)
            self._show()
            self._keep()
            self.query_one(FileTree).action_cursor_down()

    def action_drop(self) -> None:
        """Take the file under the cursor back, or the newest."""
        path = self._path()
        kept = [given for given in self._reads if Path(given.read.path) != path]
        if path is not None and path in self._request.layouts:
            layouts = tuple(each for each in self._request.layouts if each != path)
            self._request = replace(self._request, layouts=layouts)
        elif len(kept) == len(self._reads):
            kept = kept[:-1]
        self._reads = kept
        self._show()
        self._keep()

    def _show(self) -> None:
        chips = self.attempt(self.chips) or {}
        table = self.query_one("#given", DataTable)
        table.clear()
        placed: list[tuple[Role, str | None, GivenRead]] = []
        for given in self._reads:
            memory = memory_of_read(self._request, given, chips)
            before = [
                each.read.image
                for role, name, each in placed
                if (role, name) == (given.role, memory)
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
        layouts = ", ".join(safe_text(path.name) for path in self._request.layouts)
        self.query_one("#under", Static).update(Content(layouts and f"Layout: {layouts}"))

    def action_done(self) -> None:
        """Ask what is still missing, then back all of them up."""
        tree = self.query_one(FileTree)
        path = tree.path_here
        if path is not None and path.is_dir() and tree.cursor_line > 0:
            tree.action_select_cursor()
            return
        self._ask_on()

    def _ask_on(self) -> None:
        """The first question that is still open; then the backup."""
        chips = self.attempt(self.chips)
        if chips is None:
            return
        request = self._request
        if not self._reads and self._opened is not None:
            self.say("No file was picked yet: O, D or F says whose read the file here is.")
        elif self._reads and not chips:
            self.app.push_screen(Ask(FIRST_MEMORY, fault=_memory_fault), self._named)
        elif not request.single_read and self._is_single():
            self.app.push_screen(Ask(SINGLE_READ, fault=find_emptiness), self._single)
        elif request.reseated is None and is_several(self._reads):
            self.app.push_screen(Choose(f"{RESEATED}?", _YES_NO), self._reseated)
        else:
            self._settle_orders()

    def _is_single(self) -> bool:
        return is_single(self._reads, self._opened)

    def _named(self, text: str | None) -> None:
        if text is not None:
            name, chip = parse_memory_answer(text)
            self._request = replace(self._request, memories={name: chip})
            self._ask_on()

    def _single(self, reason: str | None) -> None:
        if reason is not None:
            self._request = replace(self._request, single_read={None: reason})
            self._ask_on()

    def _reseated(self, number: int | None) -> None:
        if number is not None:
            self._request = replace(self._request, reseated=_YES_NO[number])
            self._ask_on()

    def _settle_orders(self) -> None:
        request = replace(self._request, reads=tuple(self._reads))
        unsure = self.attempt(lambda: list_unsure_orders(request, self.desk.store))
        if unsure is None:
            return
        left = {name: sign for name, sign in unsure.items() if name not in request.reader_orders}
        if not left:
            self._back_up(request)
            return
        name, sign = next(iter(left.items()))
        self.app.push_screen(
            Choose(f"{tell_order_sign(name, sign)} {order_question(name, sign)}?", _YES_NO),
            partial(self._ordered, name, sign),
        )

    def _ordered(self, name: str, sign: OrderSign, number: int | None) -> None:
        if number is not None:
            settled = settle_asked(sign, is_so=number == 0)
            orders = {**self._request.reader_orders, name: settled}
            self._request = replace(self._request, reader_orders=orders)
            self._settle_orders()

    def _back_up(self, request: StartRequest) -> None:
        self.work(
            "looking at both modules",
            lambda _: start_job(request, self.desk.store, now=clock()),
            lambda view: self._started(request, view),
        )

    def _started(self, request: StartRequest, view: StartView) -> None:
        self.desk.keep_picked((), self._place())
        if self._facts is not None:
            self.desk.keep_draft({})
        command = self.desk.tell(*_words(request, self._facts or {}))
        screen = ResultScreen(
            self.desk,
            "Both modules",
            lambda: start_view.render_start(view),
            verdict=start_view.tell_start(view),
            command=command,
            job=self.job_folder,
        )
        self.app.push_screen(screen, lambda _: self.dismiss(self.job_folder))


def _words(request: StartRequest, facts: Mapping[str, str | None]) -> list[str]:
    """The command that does the same."""
    words = ["start", "--job", str(request.folder)]
    for name, chip in request.memories.items():
        words += ["--memory", f"{name}={chip}"]
    for path in request.layouts:
        words += ["--layout", str(path)]
    for given in request.reads:
        name = "" if given.memory is None else f"{given.memory}="
        words += [f"--{given.role.value}", f"{name}{given.read.path}"]
    words += option_words(facts)
    for memory, reason in request.single_read.items():
        words += ["--single-read", reason if memory is None else f"{memory}={reason}"]
    for memory, settled in request.reader_orders.items():
        words += ["--reader-order", f"{memory}={settled.order}"]
    if request.reseated is not None:
        words.append("--reseated" if request.reseated == "yes" else "--not-reseated")
    return words


def _memory_fault(text: str) -> str | None:
    return _fault_of(lambda: parse_memory_answer(text))


def _fault_of(work: Callable[[], object]) -> str | None:
    try:
        work()
    except MemtoolError as error:
        return str(error)
    return None
