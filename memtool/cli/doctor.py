"""`benchimage doctor`: store place, file system, versions, optional parts."""

from __future__ import annotations

import importlib.util
import os
import platform
from collections.abc import Iterator
from dataclasses import asdict, dataclass, fields
from importlib import metadata
from pathlib import Path
from typing import Any

import click

from memtool.cli.place import output_options, store_option
from memtool.cli.shared import print_json, say, say_next
from memtool.cli.types import PATH
from memtool.core.finding import Finding, Severity
from memtool.core.words import count_of
from memtool.errors import StoreError
from memtool.render.json.as_json import document, finding_values
from memtool.render.text import terminal
from memtool.render.text.next_steps import NextStep
from memtool.store.backups import BackupStore
from memtool.store.probing import FileSystem, Probe, probe_folder
from memtool.workflow.places import default_store_folder

_PACKAGES = (
    *("benchimage", "anycrc", "bitstring", "click", "construct", "filelock", "intelhex"),
    *("jinja2", "numpy", "platformdirs", "pydantic", "rich", "tomlkit"),
)
_OPTIONAL = (("PDF reports", "typst", "the report is HTML and JSON without it"),)
_LITTLE_ROOM = 64 * 1024 * 1024
_WORDS = {
    "nameless_files": ("yes", "no (an interrupted write can leave an unfinished file behind)"),
    "hard_links": ("yes", "no (an interrupted write can leave an empty file behind)"),
    "folder_sync": ("yes", "no (a new file may not survive a power loss)"),
    "locks": ("yes", "no (do not use this place as a store)"),
    "tells_case_apart": ("yes", "no (no harm: names in the store are lower case)"),
    "keeps_modes": ("yes", "no (who may read and change files is set for the whole drive)"),
}

_ABILITIES = {
    "nameless_files": "unnamed files",
    "hard_links": "hard links",
    "folder_sync": "folder sync",
    "locks": "file locks",
    "tells_case_apart": "case-sensitive names",
    "keeps_modes": "file permissions",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class _Seen:
    """One store, looked at."""

    path: Path
    exists: bool
    backups: int | None
    problem: str | None
    probe: Probe


@click.command(
    "doctor",
    epilog="""\b
Examples:
  benchimage doctor
  benchimage doctor --store /media/stick/backups --json
""",
)
@click.option("--also", type=PATH, envvar="BENCHIMAGE_ALSO", help="Folder of a second store.")
@output_options
@store_option
def command(store: Path | None, also: Path | None, as_json: bool) -> int:
    """Show where backups go, what that file system can do, versions and optional parts.

    Tries the file system in a folder of a random name, which is removed again.
    """
    places = [store or default_store_folder(), *([also] if also is not None else [])]
    stores = [_look_at(place) for place in places]
    findings = tuple(finding for seen in stores for finding in _judge(seen))
    if as_json:
        print_json(_document(stores, findings))
    else:
        say(_render(stores, findings))
    failed = any(finding.severity is Severity.FAILURE for finding in findings)
    if not as_json:
        say_next(
            NextStep(text="fix the lines marked 'failure'")
            if failed
            else NextStep(text="see an invented job", commands=("benchimage demo",))
        )
    return 1 if failed else 0


def _look_at(path: Path) -> _Seen:
    backups, problem = 0, None
    exists = os.path.lexists(path)
    if exists and (path.is_symlink() or not path.is_dir() or any(path.iterdir())):
        try:
            backups = len(BackupStore(path).entries())
        except StoreError as error:
            problem = error.message
    return _Seen(
        path=path,
        exists=exists,
        backups=None if problem else backups,
        problem=problem,
        probe=probe_folder(path),
    )


def _judge(seen: _Seen) -> Iterator[Finding]:
    where = str(seen.path)
    if seen.problem is not None:
        yield _failure("store-unusable", f"{where}: {seen.problem}.")
    if seen.probe.problem is not None:
        yield _failure("store-not-writable", f"{where}: {seen.probe.problem}.")
    free, system = seen.probe.free_bytes, seen.probe.file_system
    if free is not None and free < _LITTLE_ROOM:
        text = f"{where}: only {count_of(free, 'byte')} free; a large dump may not fit."
        yield Finding(code="little-room", severity=Severity.WARNING, text=text)
    if system is None:
        return
    if not system.locks:
        yield _failure("no-locks", f"{where}: files cannot be locked there; use another place.")
    if not system.folder_sync and os.name != "nt":
        text = f"{where}: a new file there may be lost in a power cut."
        yield Finding(code="no-folder-sync", severity=Severity.WARNING, text=text)


def _failure(code: str, text: str) -> Finding:
    return Finding(code=code, severity=Severity.FAILURE, text=text)


def _versions() -> list[tuple[str, str | None]]:
    found: list[tuple[str, str | None]] = []
    for name in _PACKAGES:
        try:
            found.append((name, metadata.version(name)))
        except metadata.PackageNotFoundError:
            found.append((name, None))
    found.append(("python", platform.python_version()))
    found.append((platform.system().lower() or "system", platform.release()))
    return found


def _optional() -> list[tuple[str, bool, str]]:
    return [
        (name, importlib.util.find_spec(package) is not None, text)
        for name, package, text in _OPTIONAL
    ]


def _document(stores: list[_Seen], findings: tuple[Finding, ...]) -> dict[str, Any]:
    return document(
        "doctor",
        stores=[
            {
                "path": str(seen.path),
                "exists": seen.exists,
                "backups": seen.backups,
                "tried_in": None if seen.probe.tried_in is None else str(seen.probe.tried_in),
                "free_bytes": seen.probe.free_bytes,
                "file_system": _abilities(seen.probe.file_system),
                "problem": seen.problem or seen.probe.problem,
            }
            for seen in stores
        ],
        versions=[{"name": name, "version": version} for name, version in _versions()],
        optional=[
            {"name": name, "available": available, "text": text}
            for name, available, text in _optional()
        ],
        findings=finding_values(findings),
    )


def _abilities(system: FileSystem | None) -> dict[str, bool | None]:
    if system is None:
        return {item.name: None for item in fields(FileSystem)}
    return asdict(system)


def _render(stores: list[_Seen], findings: tuple[Finding, ...]) -> str:
    width = terminal.terminal_width()

    def line(label: str, text: str) -> str:
        return terminal.labelled(label, text, width=width, label_width=20)

    lines = [terminal.heading(_tell(findings))]
    if findings:
        lines.append(terminal.findings(findings, width=width))
    for number, seen in enumerate(stores):
        lines.append(terminal.heading("Second backup store" if number else "Backup store"))
        held = "not readable" if seen.backups is None else count_of(seen.backups, "backup")
        lines.append(line("place", str(seen.path)))
        lines.append(line("holds", held if seen.exists else "nothing yet; it is made when needed"))
        if seen.probe.free_bytes is not None:
            lines.append(line("free", count_of(seen.probe.free_bytes, "byte")))
        for name, able in _abilities(seen.probe.file_system).items():
            words = "not tried" if able is None else _WORDS[name][0 if able else 1]
            lines.append(line(_ABILITIES[name], words))
    lines.append(terminal.heading("Versions"))
    lines += [line(name, version or "not installed") for name, version in _versions()]
    lines.append(terminal.heading("Optional parts"))
    lines += [
        line(name, "installed" if available else f"not installed: {text}")
        for name, available, text in _optional()
    ]
    return "\n".join(lines)


def _tell(findings: tuple[Finding, ...]) -> str:
    """Whether the store can be used, in one sentence."""
    if any(finding.severity is Severity.FAILURE for finding in findings):
        return "Stop: backups cannot be kept there as it is."
    if findings:
        return "Backups can be kept; look at the warnings first."
    return "No problems found."
