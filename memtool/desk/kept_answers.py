"""What was said of reads that are not backed up yet, as it is remembered between two sittings."""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import suppress
from dataclasses import replace
from typing import Any

from memtool.core.reader_order import parse_reader_order
from memtool.core.span import format_span, parse_span
from memtool.errors import MemtoolError
from memtool.store.desk_state import KeptAnswer
from memtool.workflow.given_reads import parse_memory_answer
from memtool.workflow.reader_orders import SettledOrder
from memtool.workflow.start import StartRequest

_TEXTS = ("reseated", "sitting", "reason")
_BY_MEMORY = ("single_read", "unreadable")


def list_answers(request: StartRequest) -> list[KeptAnswer]:
    """All that was answered and said beside the files."""
    named = request.memories.items()
    found = [KeptAnswer(what="memory", memory=name, text=chip) for name, chip in named]
    for name in _BY_MEMORY:
        reasons = getattr(request, name)
        found += [KeptAnswer(what=name, memory=key, text=why) for key, why in reasons.items()]
    for name in _TEXTS:
        text = getattr(request, name)
        found += [] if text is None else [KeptAnswer(what=name, memory=None, text=text)]
    found += [KeptAnswer(what="replaces", memory=None, text=name) for name in request.replaces]
    for memory, span in request.not_read:
        found.append(KeptAnswer(what="not_read", memory=memory, text=format_span(span)))
    for memory, settled in request.reader_orders.items():
        found.append(
            KeptAnswer(what="order", memory=memory, text=settled.order, more=settled.reason)
        )
    return found


def with_answers(request: StartRequest, answers: Sequence[KeptAnswer]) -> StartRequest:
    """With what was said before; what makes no sense any more is left out, and asked again."""
    for each in answers:
        # The file that they come from is a person's, who may have changed it.
        with suppress(ValueError, MemtoolError):
            request = _with(request, each)
    return request


def without_answers(request: StartRequest) -> StartRequest:
    """As if only files had been picked."""
    return replace(
        request,
        memories={},
        single_read={},
        unreadable={},
        reseated=None,
        sitting=None,
        replaces=(),
        reader_orders={},
        not_read=(),
        reason=request.reason if request.older is not None else None,
    )


def _with(request: StartRequest, kept: KeptAnswer) -> StartRequest:
    what, memory, text = kept.what, kept.memory, kept.text
    changed: dict[str, Any] = {}
    if what in _TEXTS:
        changed = {what: text}
    if what in _BY_MEMORY:
        changed = {what: {**getattr(request, what), memory: text}}
    if what == "replaces":
        changed = {"replaces": (*request.replaces, text)}
    if what == "not_read":
        changed = {"not_read": (*request.not_read, (memory, parse_span(text)))}
    if what == "memory" and memory is not None:
        name, chip = parse_memory_answer(f"{memory}={text}")
        changed = {"memories": {**request.memories, name: chip}}
    if what == "order" and memory is not None:
        settled = SettledOrder(order=parse_reader_order(text), how="asked", reason=kept.more)
        changed = {"reader_orders": {**request.reader_orders, memory: settled}}
    return replace(request, **changed)
