"""The next step of a job in words: what to do and the command for it, or a few words."""

from __future__ import annotations

from memtool.core.job.next_kinds import NextAction, NextKind, with_command
from memtool.core.job.stage import Stage
from memtool.render.text.next_steps import NextStep, one_line
from memtool.render.words import safe_text

_SHORT = {
    NextKind.READ: "read the {role}",
    NextKind.READ_AGAIN: "read the {role} again",
    NextKind.MAJORITY: "majority of the {role}'s reads",
    NextKind.DRAFT: "draft a layout",
    NextKind.REVIEW: "review the layout",
    NextKind.CHECK_DONOR: "check the donor",
    NextKind.COMPLETE_ORDER: "complete the order",
    NextKind.BLANK: "remove the old identity",
    NextKind.CHECK_FILE: "check the file to program",
    NextKind.PROGRAM: "program, read, check",
    NextKind.SET_UP: "set up, read, check",
    NextKind.RESTORE: "write the backup, read, check",
    NextKind.TRY: "try it on the vehicle",
    NextKind.DECIDE: "you decide",
    NextKind.MEND: "settle what failed",
    NextKind.REPORT: "write the report",
    NextKind.DONE: "nothing",
}
_TEXTS = {
    NextKind.READ: "read the {role} and add its reads",
    NextKind.READ_AGAIN: "fix the connection, read the {role} again and add the reads",
    NextKind.MAJORITY: "the {role}'s reads differ; put each byte to the vote",
    NextKind.DRAFT: "nobody has a layout of this memory; draft one",
    NextKind.REVIEW: "nobody has reviewed the layout",
    NextKind.CHECK_DONOR: "see whether the donor is a suitable replacement",
    NextKind.COMPLETE_ORDER: "put on record what the order lacks",
    NextKind.BLANK: "plan how the old identity is removed",
    NextKind.CHECK_FILE: "see whether the file may go onto the module",
    NextKind.PROGRAM: "write the file with your programmer, read the module again and check it",
    NextKind.SET_UP: (
        "fit the module, run the maker's procedure, let the modules sleep (ignition off, doors"
        " shut, tool unplugged, about one minute), read the module again and check it"
    ),
    NextKind.RESTORE: "write the backup to the module, read the module again and check it",
    NextKind.TRY: "calibrate and try the module on the vehicle, and record it",
    NextKind.DECIDE: "settle each point left to you",
    NextKind.MEND: "fix what failed",
    NextKind.REPORT: "write the customer file",
    NextKind.DONE: "nothing; the report tells all that is on record",
}
_MENDS = {
    Stage.DONOR: "settle what failed: another donor, or another read in place of a bad one",
    Stage.BEFORE_WRITING: "do not write this file; settle what failed, then make it again",
    Stage.AFTER_WRITING: "fix the cause, write again, read again, and check again",
    Stage.AFTER_SETUP: "repeat the maker's procedure, read again, and check again",
    Stage.RESTORED: "fix the cause, write the backup again, read again, and check again",
}


def next_step(step: NextAction) -> NextStep:
    """What to do next, with the command for it as it is typed inside the job's folder."""
    if step.ban is not None:
        text = f"nothing is blanked in this job, since {step.ban}"
        if step.kind is NextKind.DONE:
            return NextStep(text=text)
        return NextStep(text=f"{text}; the report tells it", commands=_commands(step))
    role = step.role.value if step.role else ""
    text = _TEXTS[step.kind].format(role=role)
    if step.kind is NextKind.MEND and step.stage is not None:
        text = _MENDS[step.stage]
    otherwise = ""
    if step.kind is NextKind.BLANK:
        otherwise = "Without --dry-run it makes the file to program."
    return NextStep(text=text, commands=_commands(step), otherwise=otherwise)


def _commands(step: NextAction) -> tuple[str, ...]:
    command = step.command
    if command is None:
        return ()
    if command.startswith("benchimage blank "):
        # A plan comes first: it writes nothing.
        command += " --dry-run"
    return (safe_text(command),)


def mend_step(stage: Stage, memories: tuple[str, ...], *, several: bool) -> NextStep:
    """What mends a check that failed just now, whatever else is open in the job."""
    step = NextAction(kind=NextKind.MEND, stage=stage, memories=memories)
    return next_step(with_command(step, several=several))


def tell_next(step: NextAction) -> str:
    """What to do next in one sentence, with the command that does it; safe to print."""
    return one_line(next_step(step))


def next_in_short(step: NextAction) -> str:
    """The same for a cell of a table; safe to print."""
    role = step.role.value if step.role else ""
    return safe_text(_SHORT[step.kind].format(role=role))
