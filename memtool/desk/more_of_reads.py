"""What a person may have to say of reads beside the files: each goes on record with its reason."""

from __future__ import annotations

from collections.abc import Callable

from memtool.core.span import parse_span
from memtool.desk.dialogs import Ask, Choose
from memtool.desk.kept_answers import list_answers
from memtool.desk.picked_reads import PickedReads
from memtool.render.questions import (
    AREA,
    MORE_OF_READS,
    MORE_TO_SAY,
    NO_EARLIER_READ,
    SITTING,
    WHICH_MEMORY,
    WHICH_READ,
    WHY,
    find_emptiness,
    find_span_fault,
)
from memtool.workflow.keeping_reads import list_counting


def say_more(screen: PickedReads) -> None:
    """Choose what there is to say, and say it."""
    sayings = (_powered, _withdraw, _not_read, _unreadable, PickedReads.unsay)
    rows = MORE_OF_READS if list_answers(screen.request) else MORE_OF_READS[:-1]

    def chosen(number: int | None) -> None:
        if number is not None:
            sayings[number](screen)

    screen.app.push_screen(Choose(MORE_TO_SAY, rows), chosen)


def _ask(screen: PickedReads, question: str, done: Callable[[str], None], value: str = "") -> None:
    def answered(text: str | None) -> None:
        if text is not None:
            done(text)
            screen.show()

    screen.app.push_screen(Ask(question, value=value, fault=find_emptiness), answered)


def _powered(screen: PickedReads) -> None:
    def said(text: str) -> None:
        screen.settle(sitting=text)

    _ask(screen, SITTING, said, screen.request.sitting or "")


def _withdraw(screen: PickedReads) -> None:
    reads = () if screen.opened is None else list_counting(screen.opened)
    if not reads:
        screen.say(NO_EARLIER_READ)
        return

    def chosen(number: int | None) -> None:
        if number is not None:
            _, _, name = reads[number]
            _ask(screen, WHY, lambda reason: said(name, reason), screen.request.reason or "")

    def said(name: str, reason: str) -> None:
        names = dict.fromkeys((*screen.request.replaces, name))
        screen.settle(replaces=tuple(names), reason=reason)

    rows = [f"{role.value}  {memory}  {name}" for role, memory, name in reads]
    screen.app.push_screen(Choose(WHICH_READ, rows), chosen)


def _of_memory(screen: PickedReads, done: Callable[[str | None], None]) -> None:
    """The memory that is meant; None: the only one."""
    names = list(screen.attempt(screen.chips) or {})

    def chosen(number: int | None) -> None:
        if number is not None:
            done(names[number])

    if len(names) > 1:
        screen.app.push_screen(Choose(WHICH_MEMORY, names), chosen)
    else:
        done(None)


def _not_read(screen: PickedReads) -> None:
    def named(memory: str | None) -> None:
        screen.app.push_screen(
            Ask(AREA, fault=find_span_fault),
            lambda text: None if text is None else asked(memory, text),
        )

    def asked(memory: str | None, text: str) -> None:
        _ask(screen, WHY, lambda reason: said(memory, text, reason), screen.request.reason or "")

    def said(memory: str | None, text: str, reason: str) -> None:
        areas = (*screen.request.not_read, (memory, parse_span(text)))
        screen.settle(not_read=areas, reason=reason)

    _of_memory(screen, named)


def _unreadable(screen: PickedReads) -> None:
    def said(memory: str | None, reason: str) -> None:
        reasons = {**screen.request.unreadable, memory: reason}
        screen.settle(unreadable=reasons)

    _of_memory(screen, lambda memory: _ask(screen, WHY, lambda reason: said(memory, reason)))
