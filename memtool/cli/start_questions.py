"""What `start` asks at a terminal: memories, reads, the order.

Each answer is judged at once and asked for again when it is refused; what was answered
before stays.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

import click

from memtool.cli.progress import at_work
from memtool.cli.session import ask
from memtool.cli.shared import fitted, note
from memtool.core.health.reader_orders import OrderSign
from memtool.core.job.memory import name_of_chip
from memtool.core.read_options import ReadOptions
from memtool.core.role import Role
from memtool.core.words import count_of
from memtool.errors import MemtoolError, UsageError
from memtool.render.questions import (
    FIRST_MEMORY,
    MAY_STAY_EMPTY,
    MORE_MEMORIES,
    ORDER_QUESTIONS,
    SINGLE_READ,
    find_emptiness,
    find_problem,
    is_asked,
    order_question,
    tell_order_sign,
)
from memtool.render.words import safe_text
from memtool.workflow.given_reads import parse_memory_answer, require_no_mix_up
from memtool.workflow.loading import load_read
from memtool.workflow.reader_orders import SettledOrder, settle_asked
from memtool.workflow.start import (
    GivenRead,
    StartRequest,
    find_mix_ups,
    memory_of_read,
    require_one_file_a_read,
)


class Questions:
    """Asks the person at the terminal; nothing is kept before all is answered."""

    def __init__(self, options: ReadOptions) -> None:
        self._options = options

    def memories(self) -> dict[str, str]:
        """The module's memories: chip by name, at least one."""
        found: dict[str, str] = {}
        while True:
            more = MORE_MEMORIES if found else FIRST_MEMORY
            answer = ask(more, default="" if found else None)
            if not answer:
                return found
            try:
                name, chip = parse_memory_answer(answer)
            except UsageError as error:
                note(safe_text(str(error)))
                continue
            if name in found:
                note(f"{name} is already named.")
            found[name] = chip

    def reads(self, chips: Mapping[str, str]) -> tuple[GivenRead, ...]:
        """The reads of original and donor, memory by memory; each file is looked at at once."""
        found: list[GivenRead] = []
        for role in (Role.ORIGINAL, Role.DONOR):
            for memory, chip in chips.items():
                which = memory if memory == name_of_chip(chip) else f"{memory} ({chip})"
                number = 1
                while True:
                    answer = ask(f"Read {number} of the {role.value}'s {which}", default="")
                    if not answer:
                        break
                    given = self._load(role, memory, answer, found)
                    if given is not None:
                        found.append(given)
                        number += 1
        return tuple(found)

    def name_mix_ups(
        self, request: StartRequest, reads: tuple[GivenRead, ...], chips: Mapping[str, str]
    ) -> None:
        """Say at once, before anything else is asked, that reads are in wrong roles."""
        with at_work("looking at the reads"):
            texts = find_mix_ups(request, reads, chips)
        for text in texts:
            note(safe_text(f"Stop: {text}"))

    def which_memory(
        self, request: StartRequest, given: GivenRead, chips: Mapping[str, str]
    ) -> GivenRead:
        """The read with its memory: asked where name and size do not tell."""
        if not chips or memory_of_read(request, given, chips) is not None:
            return given
        size = count_of(given.read.image.size, "byte")
        while True:
            path = safe_text(given.read.path)
            name = ask(f"{path} ({size}) was read from which memory ({', '.join(chips)})")
            if name in chips:
                return replace(given, memory=name)
            note(f"Choose one of: {', '.join(chips)}.")

    def order(self, facts: Mapping[str, str | None]) -> dict[str, str | None]:
        """Every fact of the order that was not given."""
        answers = dict(facts)
        for name, question in ORDER_QUESTIONS:
            if not is_asked(name, answers):
                continue
            while answers.get(name) is None:
                default = "" if name in MAY_STAY_EMPTY else None
                answer = ask(question, default=default)
                if not answer and name in MAY_STAY_EMPTY:
                    break
                problem = find_problem(name, answer)
                if problem:
                    note(problem)
                else:
                    answers[name] = answer
        return answers

    def reader_orders(self, unsure: Mapping[str, OrderSign]) -> dict[str, SettledOrder]:
        """In which order the reader writes, asked where the files leave a doubt."""
        found: dict[str, SettledOrder] = {}
        for memory, sign in unsure.items():
            note(tell_order_sign(memory, sign))
            is_so = click.confirm(fitted(order_question(memory, sign)), err=True)
            found[memory] = settle_asked(sign, is_so=is_so)
        return found

    def single_read(self) -> dict[str | None, str]:
        """Why there is one read only; empty where nobody says."""
        while True:
            answer = ask(SINGLE_READ, default="")
            if not answer:
                return {}
            problem = find_emptiness(answer)
            if problem is None:
                return {None: answer}
            note(problem)

    def _load(
        self, role: Role, memory: str, answer: str, found: list[GivenRead]
    ) -> GivenRead | None:
        # A file dragged into a terminal comes with quotes around it.
        path = Path(answer.strip("'\""))
        try:
            with at_work("looking at the read"):
                given = GivenRead(role=role, memory=memory, read=load_read(path, self._options))
                require_one_file_a_read((*found, given))
                require_no_mix_up(given, found)
        except MemtoolError as error:
            note(safe_text(str(error)))
            return None
        return given
