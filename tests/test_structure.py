"""The house's walls: imports go one way, and rooms that must be pure are pure."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

PACKAGE = Path(__file__).parent.parent / "memtool"
STAIR = [
    {"errors", "lazy", "version"},
    {"core"},
    {"formats"},
    {"store", "render", "demo"},
    {"workflow"},
    {"desk"},
    {"cli"},
    {"__main__"},
]
"""Rooms from the bottom up. A room imports from rooms below it, and from itself."""

CORE_STAIR = [
    {"span", "image", "chip", "names", "finding", "near", "read_options", "role", "runs", "words"},
    {"texts", "checksums"},
    {"reader_order"},
    {"conversion", "discovery", "layouts"},
    {"records"},
    {"drafting", "health", "comparing"},
    {"memory_map", "learning"},
    {"job"},
    {"report"},
]
"""The rooms inside `core/`, from the ground up; the same rule."""

NOT_IN_CORE = {
    *("os", "io", "pathlib", "time", "socket", "subprocess", "random", "secrets", "sys"),
    *("click", "rich", "jinja2", "filelock", "platformdirs", "tempfile", "shutil", "logging"),
}
HEAVY = {
    *("anycrc", "bitstring", "construct", "intelhex", "jinja2", "numpy", "platformdirs"),
    *("pydantic", "rich", "textual", "tomlkit", "typst"),
}
"""What `--help` and `--version` must not load."""
HEAVY_AT_THE_TOP = {
    *("formats/layout_toml/shape.py", "core/discovery/", "core/drafting/"),
    "desk/",
}
"""Files and rooms that import one of them at their top: who needs them needs them whole."""
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


def core_room_of(parts: tuple[str, ...]) -> str:
    return parts[0].removesuffix(".py")


@pytest.mark.parametrize(
    "path",
    [path for path in SOURCES if room_of(path) == "core" and path.parent != PACKAGE / "core"]
    + [path for path in (PACKAGE / "core").glob("*.py") if path.name != "__init__.py"],
    ids=lambda path: str(path.relative_to(PACKAGE)),
)
def test_rooms_of_the_core_import_down_their_stair_only(path: Path) -> None:
    room = core_room_of(path.relative_to(PACKAGE / "core").parts)
    level = next(index for index, rooms in enumerate(CORE_STAIR) if room in rooms)
    allowed = {name for rooms in CORE_STAIR[:level] for name in rooms} | {room}
    ground = CORE_STAIR[0] if level == 0 else set()
    for module, _ in imports_of(path):
        parts = module.split(".")
        if parts[:2] == ["memtool", "core"] and len(parts) > 2:
            assert parts[2] in allowed | ground, f"{path.name} in core/{room} imports {module}"


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


def runs_at_import(tree: ast.Module) -> list[ast.stmt]:
    """The statements that run when the module is imported; types alone do not."""
    return [
        node
        for node in tree.body
        if not (
            isinstance(node, ast.If)
            and isinstance(node.test, ast.Name)
            and node.test.id == "TYPE_CHECKING"
        )
    ]


def test_no_import_stands_inside_a_function() -> None:
    found: dict[str, int] = {}
    for path in SOURCES:
        inside = {
            id(node)
            for function in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
            if isinstance(function, ast.FunctionDef)
            for node in ast.walk(function)
            if isinstance(node, ast.Import | ast.ImportFrom)
        }
        if inside:
            found[path.relative_to(PACKAGE).as_posix()] = len(inside)
    assert not found


def test_heavy_modules_are_bound_in_one_place() -> None:
    found = set()
    for path in SOURCES:
        for node in runs_at_import(ast.parse(path.read_text(encoding="utf-8"))):
            names = []
            if isinstance(node, ast.Import):
                names = [alias.name for alias in node.names]
            elif isinstance(node, ast.ImportFrom):
                names = [node.module or ""]
            if any(name.split(".")[0] in HEAVY for name in names):
                found.add(path.relative_to(PACKAGE).as_posix())
    assert not {path for path in found if not path.startswith(tuple(HEAVY_AT_THE_TOP))}
