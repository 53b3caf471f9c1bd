"""The house's walls: imports go one way, and rooms that must be pure are pure."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

PACKAGE = Path(__file__).parent.parent / "memtool"
STAIR = [
    {"errors"},
    {"core"},
    {"formats"},
    {"store", "render", "demo"},
    {"workflow"},
    {"cli"},
    {"__main__"},
]
"""Rooms from the bottom up. A room imports from rooms below it, and from itself."""

NOT_IN_CORE = {
    *("os", "io", "pathlib", "time", "socket", "subprocess", "random", "secrets", "sys"),
    *("click", "rich", "jinja2", "filelock", "platformdirs", "tempfile", "shutil", "logging"),
}
SOURCES = sorted(PACKAGE.rglob("*.py"))


def room_of(path: Path) -> str:
    return path.relative_to(PACKAGE).parts[0].removesuffix(".py")


def imports_of(path: Path) -> list[tuple[str, ast.stmt]]:
    found: list[tuple[str, ast.stmt]] = []
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found += [(alias.name, node) for alias in node.names]
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: relative import"
            found.append((node.module or "", node))
    return found


@pytest.mark.parametrize("path", SOURCES, ids=lambda path: str(path.relative_to(PACKAGE)))
def test_imports_go_down_the_stair_only(path: Path) -> None:
    room = room_of(path)
    if room == "__init__":
        return
    level = next(index for index, rooms in enumerate(STAIR) if room in rooms)
    allowed = {name for rooms in STAIR[:level] for name in rooms} | {room}
    for module, _ in imports_of(path):
        parts = module.split(".")
        if parts[0] == "memtool" and len(parts) > 1:
            assert parts[1] in allowed, f"{path.name} in {room} imports {module}"


@pytest.mark.parametrize(
    "path",
    [path for path in SOURCES if room_of(path) in {"core", "formats", "errors"}],
    ids=lambda path: str(path.relative_to(PACKAGE)),
)
def test_core_and_formats_are_pure(path: Path) -> None:
    for module, _ in imports_of(path):
        assert module.split(".")[0] not in NOT_IN_CORE, f"{path.name} imports {module}"
    tree = ast.parse(path.read_text(encoding="utf-8"))
    called = {
        node.func.id
        for node in ast.walk(tree)
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name)
    }
    assert not called & {"open", "print", "input"}


def test_no_import_cycle_between_modules() -> None:
    graph: dict[str, set[str]] = {}
    names = {
        ".".join(path.relative_to(PACKAGE.parent).with_suffix("").parts): path for path in SOURCES
    }
    for name, path in names.items():
        graph[name] = {module for module, _ in imports_of(path) if module in names}
    done: set[str] = set()

    def visit(name: str, trail: tuple[str, ...]) -> None:
        assert name not in trail, " -> ".join([*trail, name])
        if name in done:
            return
        for below in graph[name]:
            visit(below, (*trail, name))
        done.add(name)

    for name in graph:
        visit(name, ())
