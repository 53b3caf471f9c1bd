"""What a job needs next after `start` has looked at its reads: one step of all its memories."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from memtool.core.finding import Check, Finding, Severity, Verdict
from memtool.core.health.disagreement import TWO_MODULES
from memtool.core.job.start import MemoryView, ModuleView, StartView
from memtool.core.role import Role
from memtool.core.words import count_of
from memtool.render.text import next_view
from memtool.render.text.next_steps import NextStep, quoted


def module_findings(module: ModuleView) -> tuple[Finding, ...]:
    """Findings about the read, and about its agreement with the others."""
    return (*module.findings, *(module.agreement.findings if module.agreement else ()))


def next_step(view: StartView, *, inside: bool = False) -> NextStep:
    """What to do next.

    Args:
        view: What `start` found.
        inside: Whether the person is in the job's folder already.
    """
    if not view.memories:
        commands = ("benchimage start --original READ --donor READ",)
        step = NextStep(text="read both modules and add their reads", commands=commands)
    else:
        step = _step_of_memories(view) or next_view.next_step(view.next)
    way = () if inside else (f"cd {quoted(view.folder)}",)
    return step._replace(commands=(*way, *step.commands))


def _step_of_memories(view: StartView) -> NextStep | None:
    named = len(view.memories) > 1
    steps = [memory_step(memory, named=named) for memory in view.memories]
    found = [step for step in steps if step is not None]
    first = next((step for step in found if step.is_reading), None)
    if first is None:
        first = next((step for step in found if step.is_mending), found[0] if found else None)
    return None if first is None else first.step


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """What one memory needs next."""

    step: NextStep | None
    """None: as the job's record says."""
    short: str
    """For a cell of the table."""
    is_reading: bool = False
    """Whether a read is wanted, before anything else."""
    is_mending: bool = False
    """Whether a check failed that is to be mended first."""


def memory_step(memory: MemoryView, *, named: bool) -> Step | None:
    """What a memory needs before its donor can be blanked; None where nothing.

    Args:
        memory: The memory.
        named: Whether the job has others, so that this one is named in every command.
    """
    roles = {module.backup.role for module in memory.modules}
    prefix, suffix = (f"{memory.name}=", f"/{memory.name}") if named else ("", "")
    for module in memory.modules:
        if module.backup.agree is False:
            return _reads_differ(module, prefix, suffix)
    failed = [check for check in memory.family if check.result is Verdict.FAIL]
    failures = any(
        finding.severity is Severity.FAILURE
        for module in memory.modules
        for finding in module_findings(module)
    )
    if failed or failures:
        return _mend(failed, prefix)
    if memory.is_follow_up:
        step = NextStep(
            text="read the module again after the work and check it",
            commands=(f"benchimage check {prefix}READ",),
            otherwise="Or add another donor's reads with 'benchimage start --donor READ'.",
        )
        return Step(step=step, short="check")
    if Role.DONOR not in roles:
        step = NextStep(
            text="read the donor twice and add its reads",
            commands=(f"benchimage start --donor {prefix}READ --donor {prefix}READ",),
            otherwise=(
                "Where the original's chip is moved onto the donor's board nothing is removed:"
                f" read it there, then 'benchimage check {prefix}READ --stage after-writing'."
            ),
        )
        return Step(step=step, short="read the donor", is_reading=True)
    if Role.ORIGINAL not in roles and memory.unreadable is None:
        step = NextStep(
            text="read the original and add its reads",
            commands=(f"benchimage start --original {prefix}READ",),
            otherwise=(
                "If it cannot be read, say why: 'benchimage start --original-unreadable"
                f" {prefix}REASON'."
            ),
        )
        return Step(step=step, short="read the original", is_reading=True)
    if memory.needs_nothing:
        return None
    if memory.donor_identity is not None and memory.donor_identity.is_done:
        step = NextStep(
            text=(
                "there is no old identity to remove: fit the donor, run the maker's procedure,"
                " read it again"
            ),
            commands=(f"benchimage check {prefix}READ --stage after-setup",),
        )
        return Step(step=step, short="set up")
    if memory.layout is None:
        images = " ".join(f"{role.value}{suffix}" for role in Role if role in roles)
        file = f"{memory.name}.toml" if named else "layout.toml"
        step = NextStep(
            text="draft a layout from these reads, and review it",
            commands=(
                f"benchimage layout draft {images} --out {file}",
                f"benchimage layout review {file}",
            ),
            otherwise=(
                f"Or remove the VIN alone: 'benchimage blank donor{suffix} --vin VIN'. Or put the"
                " original's own image onto an equal module: 'benchimage check"
                f" original{suffix} --stage before-writing'."
            ),
        )
        return Step(step=step, short="draft a layout")
    if not memory.layout.reviewed:
        return Step(step=None, short="review the layout")
    return None


def _mend(failed: Sequence[Check], prefix: str) -> Step:
    """A check failed: the read of the wrong module, the wrong donor, or a bad read."""
    if any(check.code == "original-identity" for check in failed):
        step = NextStep(
            text="give the read of this vehicle's own module in place of the wrong one",
            commands=(f"benchimage start --replaces READ --reason TEXT --original {prefix}READ",),
            otherwise=(
                "If the order is wrong: 'benchimage start --vehicle-vin VIN --reason TEXT'."
            ),
        )
        return Step(step=step, short="see what failed", is_mending=True)
    step = NextStep(
        text="put right what failed; read the donor again, or take another one",
        commands=(f"benchimage start --replaces READ --reason TEXT --donor {prefix}READ",),
    )
    return Step(step=step, short="see what failed", is_mending=True)


def _reads_differ(module: ModuleView, prefix: str, suffix: str) -> Step:
    role, agreement = module.backup.role.value, module.agreement
    again = f"benchimage start --{role} {prefix}READ"
    if is_mixed(module):
        step = NextStep(
            text="take the other module's read out of the count",
            commands=(f"benchimage start --replaces READ --reason TEXT --{role} {prefix}READ",),
        )
        return Step(step=step, short="reads of two modules", is_mending=True)
    more = agreement.more_reads if agreement is not None else None
    if module.backup.read_count > 2:
        helped = f"{count_of(more, 'more read')} would make it safer: '{again}'." if more else ""
        step = NextStep(
            text="let the majority of the reads decide each byte",
            commands=(f"benchimage job majority {role}{suffix}",),
            otherwise=helped,
        )
        return Step(step=step, short=f"majority of {module.backup.read_count} reads")
    step = NextStep(
        text=f"fix the connection, read the {role} again and add the read",
        commands=(again,),
    )
    return Step(step=step, short="read again", is_reading=True)


def is_mixed(module: ModuleView) -> bool:
    """Whether the files given as reads of one module are of two."""
    return any(finding.code == TWO_MODULES for finding in module_findings(module))
