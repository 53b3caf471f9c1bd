"""Answers of checks in the order of their weight: what failed first, what passed as a count.

The order is the same everywhere: failures, what is out of date, what a person must decide, what
was not checked, and last what is settled.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

from memtool.core.finding import Check, Verdict
from memtool.core.job.decisions import Point
from memtool.core.words import count_of, listed_spans
from memtool.render.text import terminal
from memtool.render.values import DECIDED, verdict_words


@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    """One answer of a check, as it is shown."""

    check: Check
    memory: str | None = None
    """Named where the job has several."""
    label: str | None = None
    """How an open point is named by who decides it."""
    decided: str | None = None
    """What a person decided on it, as a sentence."""


def as_answers(items: Iterable[Check], memory: str | None = None) -> list[Answer]:
    """Checks that nobody decided on."""
    return [Answer(check=check, memory=memory) for check in items]


def points_as_answers(items: Iterable[Point], *, several: bool = False) -> list[Answer]:
    """Each point with its name where it is open, or with what a person decided on it."""
    answers = []
    for point in items:
        made = point.decision
        told = None
        if made is not None:
            told = f"Decided by {made.name}, {made.time[:10]}: {made.text}"
        answers.append(
            Answer(
                check=point.check,
                # The name of an open point of several memories begins with its memory.
                memory=point.memory if several and not point.is_open else None,
                label=point.label if point.is_open else None,
                decided=told,
            )
        )
    return answers


_RANKS = (Verdict.FAIL, Verdict.OUT_OF_DATE, Verdict.DECIDE, Verdict.NOT_CHECKED)
_COUNTED = len(_RANKS)
"""Rank of what is settled: passed, or decided by a person."""


def _rank(answer: Answer) -> int:
    is_settled = answer.check.result is Verdict.PASS or answer.decided is not None
    return _COUNTED if is_settled else _RANKS.index(answer.check.result)


def answers(items: Iterable[Answer], *, width: int, show_all: bool) -> str:
    """What failed, what a person must decide, what was not checked; then how much passed.

    Args:
        items: In any order.
        width: Columns.
        show_all: Whether what passed is listed one by one, instead of counted.
    """
    ranked = sorted(items, key=_rank)
    settled = [each for each in ranked if _rank(each) == _COUNTED]
    is_listed = show_all or len(settled) == 1
    shown = [each for each in ranked if is_listed or _rank(each) < _COUNTED]
    lines = [_answer(each, width) for each in _merged(_of_all_memories(shown))]
    if settled and not is_listed:
        text = f"{tell_settled(settled)} (--all lists them)"
        lines.append(terminal.labelled("pass", text, width=width))
    return "\n".join(lines)


def _of_all_memories(ranked: Iterable[Answer]) -> list[Answer]:
    """One answer where several memories have the same without a place, as one on the order."""
    found: dict[object, Answer] = {}
    for number, each in enumerate(ranked):
        check = each.check
        is_same = each.memory is not None and not (check.spans or each.label or each.decided)
        key = (check.result, check.text, check.reason) if is_same else number
        before = found.get(key)
        memory = each.memory if before is None else f"{before.memory}, {each.memory}"
        found[key] = replace(each, memory=memory)
    return list(found.values())


def _merged(ranked: Iterable[Answer]) -> list[Answer]:
    """Neighbours that were not checked for one reason, as one answer that gives it once."""
    merged: list[Answer] = []
    for each in ranked:
        last = merged[-1] if merged else None
        reason = each.check.reason
        if last is None or reason is None or last.memory != each.memory:
            merged.append(each)
        elif last.check.reason == reason and not (last.check.spans or each.check.spans):
            text = f"{last.check.text} {each.check.text}"
            merged[-1] = replace(last, check=replace(last.check, text=text))
        else:
            merged.append(each)
    return merged


def tell_settled(settled: Sequence[Answer]) -> str:
    """``13 checks passed, 1 was decided``."""
    decided = sum(each.decided is not None for each in settled)
    passed = len(settled) - decided
    told = f"{count_of(passed, 'check')} passed" if passed else ""
    if decided:
        told += f"{', ' if told else ''}{count_of(decided, 'point')} decided by a person"
    return told


def count_results(items: Iterable[Answer]) -> Counter[Verdict]:
    """How many answers failed, are to be decided, were not checked; a decided one passed."""
    return Counter(Verdict.PASS if _rank(each) == _COUNTED else each.check.result for each in items)


def tell_open(counts: Mapping[Verdict, int]) -> str:
    """``2 checks failed, 1 point for you to decide, 3 not checked``; or ``no check failed``."""
    failed = counts.get(Verdict.FAIL, 0)
    parts = [f"{count_of(failed, 'check')} failed" if failed else "no check failed"]
    if number := counts.get(Verdict.DECIDE, 0):
        parts.append(f"{count_of(number, 'point')} for you to decide")
    if number := counts.get(Verdict.NOT_CHECKED, 0):
        parts.append(f"{number:,} not checked")
    if number := counts.get(Verdict.OUT_OF_DATE, 0):
        parts.append(f"{number:,} out of date")
    return ", ".join(parts)


def _answer(answer: Answer, width: int) -> str:
    check = answer.check
    text = check.said
    if answer.memory:
        text = f"{answer.memory}: {text}"
    if check.spans and check.result is not Verdict.PASS:
        text += f" [{listed_spans(check.spans)}]"
    if answer.decided is not None:
        text += f" {answer.decided}"
    if answer.label is not None:
        text += f" ({answer.label})"
    label = DECIDED if answer.decided is not None else verdict_words(check.result)
    return terminal.labelled(label, text, width=width)
