"""What `check` shows: the stage, every answer, the verdict, the next step."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from memtool.core.finding import Check
from memtool.core.job import Stage, StageVerdict, checks_to_facts
from memtool.render import terminal
from memtool.render.as_json import document
from memtool.render.cautions import BEFORE_WRITING
from memtool.render.words import safe_text

VERDICT_WORDS = {
    StageVerdict.PASS: "pass",
    StageVerdict.FAIL: "FAIL",
    StageVerdict.INCOMPLETE: "incomplete: nothing failed, something was not checked",
    StageVerdict.ONLY_COUNTERS_DIFFER: "only counters differ",
}
STAGE_QUESTIONS = {
    Stage.DONOR: "Is the donor a fit replacement?",
    Stage.BEFORE_WRITING: "May this file go onto that module?",
    Stage.AFTER_WRITING: "Did the module take exactly this?",
    Stage.AFTER_SETUP: "Does every VIN belong to the vehicle?",
}


def render_check(
    stage: Stage,
    *,
    inferred: bool,
    subject: str | None,
    checks: Sequence[Check],
    verdict: StageVerdict,
) -> str:
    """The stage as text."""
    width = terminal.terminal_width()
    said = " (inferred from the job)" if inferred else ""
    parts = [
        terminal.heading(f"Stage {stage.value}{said}: {STAGE_QUESTIONS[stage]}"),
        f"  {safe_text(subject)}" if subject else "  values reported, not measured",
        terminal.checks(checks, width=width),
        terminal.heading(f"Verdict: {VERDICT_WORDS[verdict]}"),
    ]
    if stage is Stage.BEFORE_WRITING:
        parts.append(terminal.cautions(BEFORE_WRITING, width=width))
    return "\n".join(parts)


def next_step(stage: Stage, verdict: StageVerdict) -> str:
    """What to do next, in one sentence."""
    if verdict is StageVerdict.FAIL:
        return {
            Stage.DONOR: "settle what failed, or look for another donor.",
            Stage.BEFORE_WRITING: "do not write this file; settle what failed first.",
            Stage.AFTER_WRITING: "mend the cause, write again, read again, and check again.",
            Stage.AFTER_SETUP: "repeat the maker's procedure, read again, and check again.",
        }[stage]
    return {
        Stage.DONOR: "decide what is left to a person, then benchimage blank donor --dry-run",
        Stage.BEFORE_WRITING: (
            "write the file with your programmer, read the module again, then"
            " benchimage check READ --stage after-writing"
        ),
        Stage.AFTER_WRITING: (
            "fit the module, run the maker's procedure, let the modules sleep (ignition off,"
            " doors shut, tool unplugged, about one minute), then benchimage check"
            " --stage after-setup"
        ),
        Stage.AFTER_SETUP: "benchimage report",
    }[stage]


def check_document(stage: Stage, checks: Sequence[Check], verdict: StageVerdict) -> dict[str, Any]:
    """The stage as the JSON document of ``benchimage check``."""
    return document(
        "check", stage=stage.value, verdict=verdict.value, checks=checks_to_facts(checks)
    )
