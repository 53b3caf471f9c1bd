"""Changes the guards of store, writing and gates in small ways, and counts what tests notice.

    python -m tests.faults.mutate                       all; prints the survivors and the score
    python -m tests.faults.mutate core.gate             the modules whose name ends like that

One change at a time: a comparison, `and` or `or`, `not`, a condition held true or false, a
number, a truth value, a sum, a statement left out, a value not returned. Each is tried on the
tests that run through its function, in a fork of a process that has collected them all: the
function's code is replaced there, so that no file is touched. What stands outside functions
(constants, classes' own lines, defaults of parameters) is not changed, nor is any text.
"""

from __future__ import annotations

import ast
import copy
import gc
import importlib
import os
import select
import signal
import sys
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from types import CodeType, FunctionType
from typing import Any

import hypothesis
import pytest

ROOT = Path(__file__).parents[2]
PLACES = ("store/**/*.py", "core/job/gate.py", "core/job/blanking.py")
"""Below `memtool`."""
MODULES = tuple(
    ".".join(path.relative_to(ROOT).with_suffix("").parts)
    for place in PLACES
    for path in sorted((ROOT / "memtool").glob(place))
    if path.name != "__init__.py"
)
TESTED_BY = (
    *("test_power_loss", "test_writing", "test_writing_details", "test_backups", "test_journal"),
    *("test_store_check", "test_store_odds", "test_reading", "test_drafts"),
    *("test_layouts", "test_layout_lines", "test_folder", "test_check_words"),
    *("test_locking", "test_probing", "test_place_odds"),
    *("test_gate", "test_gate_words", "test_blanking"),
)
FILES = tuple(
    str(path) for name in TESTED_BY for path in sorted((ROOT / "tests").rglob(f"{name}.py"))
)
AT_ONCE = 2
PATIENCE = 10
"""Times the usual length of the tests; what runs on for ever is noticed as well."""
_SWAPS: dict[type[ast.AST], type[ast.AST]] = {
    ast.Eq: ast.NotEq,
    ast.NotEq: ast.Eq,
    ast.Lt: ast.LtE,
    ast.LtE: ast.Lt,
    ast.Gt: ast.GtE,
    ast.GtE: ast.Gt,
    ast.Is: ast.IsNot,
    ast.IsNot: ast.Is,
    ast.In: ast.NotIn,
    ast.NotIn: ast.In,
    ast.Add: ast.Sub,
    ast.Sub: ast.Add,
    ast.Mult: ast.FloorDiv,
    ast.FloorDiv: ast.Mult,
    ast.BitAnd: ast.BitOr,
    ast.BitOr: ast.BitAnd,
    ast.LShift: ast.RShift,
    ast.RShift: ast.LShift,
    ast.And: ast.Or,
    ast.Or: ast.And,
}


@dataclass(frozen=True)
class Mutant:
    """One change in one function."""

    module: str
    function: str
    line: int
    what: str
    code: CodeType
    """Of the outermost function that holds it."""


def find_mutants(module: str) -> Iterator[Mutant]:
    """Every change that is tried in a module."""
    path = ROOT.joinpath(*module.split(".")).with_suffix(".py")
    source = path.read_text(encoding="utf-8")
    count = sum(1 for _ in _changes(ast.parse(source)))
    for number in range(count):
        tree = ast.parse(source)
        function, line, what, apply = next(
            change for index, change in enumerate(_changes(tree)) if index == number
        )
        apply()
        code = compile(ast.fix_missing_locations(tree), str(path), "exec")
        found = _code_named(code, function)
        if found is not None:
            yield Mutant(module, function, line, what, found)


Change = tuple[str, int, str, Callable[[], None]]


def _changes(tree: ast.Module) -> Iterator[Change]:
    places = [(tree.body, ""), *((node.body, f"{node.name}.") for node in _classes(tree))]
    for body, prefix in places:
        for node in body:
            if isinstance(node, ast.FunctionDef):
                for line, what, apply in _changes_in(node):
                    yield f"{prefix}{node.name}", line, what, apply


def _classes(tree: ast.Module) -> list[ast.ClassDef]:
    return [node for node in tree.body if isinstance(node, ast.ClassDef)]


def _changes_in(function: ast.FunctionDef) -> Iterator[tuple[int, str, Callable[[], None]]]:
    for statement in function.body:
        for node in _walk(statement):
            for what, apply in _changes_of(node):
                yield getattr(node, "lineno", function.lineno), what, apply


def _walk(node: ast.AST) -> Iterator[ast.AST]:
    """A node and all below it but the types of local names, which are never evaluated."""
    yield node
    for name, value in ast.iter_fields(node):
        if not (isinstance(node, ast.AnnAssign) and name == "annotation"):
            for part in value if isinstance(value, list) else [value]:
                if isinstance(part, ast.AST):
                    yield from _walk(part)


def _changes_of(node: ast.AST) -> Iterator[tuple[str, Callable[[], None]]]:
    if isinstance(node, ast.Compare):
        for index, operator in enumerate(node.ops):
            if swap := _SWAPS.get(type(operator)):
                yield f"{ast.unparse(node)}: {swap.__name__}", _setter(node.ops, index, swap())
    elif isinstance(node, ast.BinOp | ast.BoolOp):
        if (swap := _SWAPS.get(type(node.op))) and not _is_text(node):
            yield f"{ast.unparse(node)}: {swap.__name__}", _attribute(node, "op", swap())
    elif isinstance(node, ast.UnaryOp) and isinstance(node.op, ast.Not):
        yield f"{ast.unparse(node)}: no not", _attribute(node, "op", ast.UAdd(), double=True)
    elif isinstance(node, ast.Constant):
        if isinstance(node.value, bool):
            yield f"{node.value}: {not node.value}", _attribute(node, "value", not node.value)
        elif isinstance(node.value, int):
            yield f"{node.value}: {node.value + 1}", _attribute(node, "value", node.value + 1)
    elif isinstance(node, ast.Return) and not _is_none(node.value):
        yield f"{ast.unparse(node)}: None", _attribute(node, "value", ast.Constant(None))
    if isinstance(node, ast.If | ast.While | ast.IfExp):
        for value in (True, False):
            if not (isinstance(node, ast.While) and value):
                yield (
                    f"if {ast.unparse(node.test)}: {value}",
                    _attribute(node, "test", ast.Constant(value)),
                )
    for name in ("body", "orelse", "finalbody"):
        block = getattr(node, name, None)
        if isinstance(block, list):
            for index, statement in enumerate(block):
                if _can_go(statement):
                    yield f"no {ast.unparse(statement)}", _setter(block, index, ast.Pass())


def _can_go(statement: ast.stmt) -> bool:
    if isinstance(statement, ast.Expr):
        return not isinstance(statement.value, ast.Constant)
    return isinstance(statement, ast.Raise | ast.AugAssign)


def _is_none(value: ast.expr | None) -> bool:
    return value is None or (isinstance(value, ast.Constant) and value.value is None)


def _is_text(node: ast.AST) -> bool:
    return any(
        isinstance(part, ast.Constant) and isinstance(part.value, str | bytes)
        for part in ast.iter_child_nodes(node)
    )


def _setter(items: list[Any], index: int, value: object) -> Callable[[], None]:
    return lambda: items.__setitem__(index, value)


def _attribute(node: Any, name: str, value: Any, *, double: bool = False) -> Callable[[], None]:
    def apply() -> None:
        if double:
            node.operand = ast.UnaryOp(ast.Not(), copy.deepcopy(node.operand))
            node.op = ast.Not()
        else:
            setattr(node, name, value)

    return apply


def _code_named(code: CodeType, function: str) -> CodeType | None:
    for name in function.split("."):
        found = [
            part for part in code.co_consts if isinstance(part, CodeType) and part.co_name == name
        ]
        if not found:
            return None
        code = found[-1]
    return code


class Runner:
    """The pytest plugin that runs tests against one change after the other."""

    def __init__(self, wanted: list[str]) -> None:
        self.modules = [m for m in MODULES if not wanted or m.endswith(tuple(wanted))]
        self.reached: dict[tuple[str, str], list[pytest.Item]] = {}
        self.seconds: dict[str, float] = {}
        self.survivors: list[Mutant] = []
        self.count = 0
        self.in_child = False

    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        if report.failed:
            if self.in_child:
                os._exit(1)
            sys.stdout.write(f"fails without any change: {report.nodeid}\n")
            os._exit(3)

    def pytest_runtestloop(self, session: pytest.Session) -> bool:
        for item in session.items:
            self._run_once(item)
        mutants = [mutant for module in self.modules for mutant in find_mutants(module)]
        self.count = len(mutants)
        sys.stdout.write(f"\n{len(session.items)} tests, {self.count} changes\n")
        running: dict[int, tuple[Mutant, int, float]] = {}
        while mutants or running:
            while mutants and len(running) < AT_ONCE:
                mutant = mutants.pop(0)
                child = self._start(mutant)
                running[child] = (mutant, os.pidfd_open(child), time.monotonic())
            self._wait(running)
        self._tell()
        return True

    def _run_once(self, item: pytest.Item) -> None:
        """Which functions it runs through, and how long it takes."""
        files = {str(ROOT.joinpath(*m.split(".")).with_suffix(".py")): m for m in self.modules}
        seen: set[tuple[str, str]] = set()

        def profile(frame: Any, event: str, _: object) -> None:
            if event == "call" and (module := files.get(frame.f_code.co_filename)):
                seen.add((module, frame.f_code.co_qualname.partition(".<locals>")[0]))

        start = time.monotonic()
        sys.setprofile(profile)
        try:
            item.ihook.pytest_runtest_protocol(item=item, nextitem=None)
        finally:
            sys.setprofile(None)
        self.seconds[item.nodeid] = time.monotonic() - start
        for key in seen:
            self.reached.setdefault(key, []).append(item)

    def _start(self, mutant: Mutant) -> int:
        child = os.fork()
        if child:
            return child
        self.in_child = True
        os.setpgid(0, 0)
        silent = os.open(os.devnull, os.O_WRONLY)
        for descriptor in (1, 2):
            os.dup2(silent, descriptor)
        _put_in_place(mutant)
        items = self.reached.get((mutant.module, mutant.function), [])
        try:
            for item in sorted(items, key=lambda item: self.seconds[item.nodeid]):
                item.ihook.pytest_runtest_protocol(item=item, nextitem=None)
        except BaseException:  # noqa: BLE001 - whatever breaks the run was noticed
            os._exit(1)
        os._exit(0)

    def _wait(self, running: dict[int, tuple[Mutant, int, float]]) -> None:
        select.select([ready for _, ready, _ in running.values()], [], [], 1)
        for child, (mutant, ready, start) in list(running.items()):
            done, status = os.waitpid(child, os.WNOHANG)
            if not done and time.monotonic() - start < self._limit_of(mutant):
                continue
            if not done:
                os.killpg(child, signal.SIGKILL)
                os.waitpid(child, 0)
            os.close(ready)
            del running[child]
            if done and status == 0:
                self.survivors.append(mutant)
                sys.stdout.write(f"NOT NOTICED {mutant.module}:{mutant.line} {mutant.what}\n")
                sys.stdout.flush()

    def _limit_of(self, mutant: Mutant) -> float:
        items = self.reached.get((mutant.module, mutant.function), [])
        return 10 + PATIENCE * sum(self.seconds[item.nodeid] for item in items)

    def _tell(self) -> None:
        noticed = self.count - len(self.survivors)
        for module in self.modules:
            left = sum(mutant.module == module for mutant in self.survivors)
            sys.stdout.write(f"{module}: {left} not noticed\n")
        share = 100 * noticed / self.count if self.count else 100
        sys.stdout.write(f"{noticed} of {self.count} changes noticed: {share:.1f} %\n")


def _put_in_place(mutant: Mutant) -> None:
    """Give every function object that has the old code the new one."""
    module = importlib.import_module(mutant.module)
    owner: Any = module
    *classes, name = mutant.function.split(".")
    for part in classes:
        owner = getattr(owner, part)
    found = vars(owner)[name]
    for attribute in ("fget", "__func__", "__wrapped__"):
        found = getattr(found, attribute, found)
    code = found.__code__
    for user in gc.get_referrers(code):
        if isinstance(user, FunctionType):
            user.__code__ = mutant.code


def main() -> int:
    """1 if fewer than 95 of 100 changes were noticed."""
    hypothesis.settings.register_profile("mutate", deadline=None, database=None)
    hypothesis.settings.load_profile("mutate")
    runner = Runner(sys.argv[1:])
    options = ["-q", "-p", "no:cacheprovider", "-s", "-p", "no:xdist"]
    pytest.main([*options, *FILES], plugins=[runner])
    return 0 if runner.count and len(runner.survivors) * 20 <= runner.count else 1


if __name__ == "__main__":
    sys.exit(main())
