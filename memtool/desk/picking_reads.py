"""The reads of a job: what is still missing is asked, then all of them are backed up."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from functools import partial
from typing import Any, ClassVar

from textual.binding import Binding

from memtool.core.health.reader_orders import OrderSign
from memtool.core.job.start import StartView
from memtool.core.span import format_span
from memtool.desk.dialogs import Ask, Choose
from memtool.desk.more_of_reads import say_more
from memtool.desk.picked_reads import PickedReads
from memtool.desk.picking_files import FileTree
from memtool.desk.results import ResultScreen
from memtool.errors import MemtoolError
from memtool.render.questions import (
    FIRST_MEMORY,
    NO_FILE_PICKED,
    RESEATED,
    SINGLE_READ,
    find_emptiness,
    order_question,
    tell_order_sign,
)
from memtool.render.text import start_view
from memtool.workflow.context import clock
from memtool.workflow.given_reads import is_several, is_single, parse_memory_answer
from memtool.workflow.order_facts import option_words
from memtool.workflow.reader_orders import settle_asked
from memtool.workflow.start import StartRequest, list_unsure_orders, start_job

_YES_NO = ("yes", "no")


class PickReads(PickedReads):
    """Gives a job its reads; the folder of the job when they are backed up."""

    BINDINGS: ClassVar[list[Any]] = [
        Binding("o", "role('original')", "Original"),
        Binding("d", "role('donor')", "Donor"),
        Binding("f", "role('reference')", "Reference"),
        Binding("l", "layout", "Layout file"),
        Binding("x", "drop", "Take back"),
        Binding("m", "more", "More to say"),
        Binding("enter", "done", "Back them up", priority=True),
    ]

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
        request = self.request
        if not (self.reads or self.has_more) and self.opened is not None:
            self.say(NO_FILE_PICKED)
        elif self.reads and not chips:
            self.app.push_screen(Ask(FIRST_MEMORY, fault=_memory_fault), self._named)
        elif not request.single_read and self._is_single():
            self.app.push_screen(Ask(SINGLE_READ, fault=find_emptiness), self._single)
        elif request.reseated is None and is_several(self.reads):
            self.app.push_screen(Choose(f"{RESEATED}?", _YES_NO), self._reseated)
        else:
            self._settle_orders()

    @property
    def has_more(self) -> bool:
        """Whether something was said that goes on record without a file."""
        request = self.request
        return bool(request.replaces or request.not_read or request.unreadable)

    def action_more(self) -> None:
        """Say what files alone do not tell."""
        say_more(self)

    def _is_single(self) -> bool:
        return is_single(self.reads, self.opened)

    def _named(self, text: str | None) -> None:
        if text is not None:
            name, chip = parse_memory_answer(text)
            self.settle(memories={name: chip})
            self._ask_on()

    def _single(self, reason: str | None) -> None:
        if reason is not None:
            self.settle(single_read={None: reason})
            self._ask_on()

    def _reseated(self, number: int | None) -> None:
        if number is not None:
            self.settle(reseated=_YES_NO[number])
            self._ask_on()

    def _settle_orders(self) -> None:
        request = replace(self.request, reads=tuple(self.reads))
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
            self.settle(reader_orders={**self.request.reader_orders, name: settled})
            self._settle_orders()

    def _back_up(self, request: StartRequest) -> None:
        self.work(
            "looking at both modules",
            lambda _: start_job(request, self.desk.store, now=clock()),
            lambda view: self._started(request, view),
        )

    def _started(self, request: StartRequest, view: StartView) -> None:
        self.desk.keep_picked((), (), self.place())
        if self.facts is not None:
            self.desk.keep_draft({})
        command = self.desk.tell(*_words(request, self.facts or {}))
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
    if request.older is not None:
        words += ["--from", str(request.older.opened.folder)]
    words += [] if request.sitting is None else ["--sitting", request.sitting]
    for name in request.replaces:
        words += ["--replaces", name]
    for memory, span in request.not_read:
        place = format_span(span)
        words += ["--not-read", place if memory is None else f"{memory}={place}"]
    for memory, why in request.unreadable.items():
        words += ["--original-unreadable", why if memory is None else f"{memory}={why}"]
    words += [] if request.reason is None else ["--reason", request.reason]
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
