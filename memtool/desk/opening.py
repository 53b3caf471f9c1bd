"""A file opened with the system's own viewer, beside the desk."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

from memtool.errors import StoreError


def open_with_viewer(path: Path) -> None:
    """Show a file in whatever the system shows such files with; the desk goes on meanwhile.

    Raises:
        StoreError: this machine has no viewer, or no screen to show it on.
    """
    command = _viewer()
    if command is None:
        raise StoreError(
            "there is no viewer here",
            code="no-viewer",
            next_step="open the file on a machine with a screen",
            file=str(path),
        )
    try:
        subprocess.Popen(
            [*command, str(path)],
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
            start_new_session=True,
        )
    except OSError as error:
        raise StoreError(
            f"the viewer could not be started: {error.strerror}",
            code="no-viewer",
            next_step="open the file by hand",
            file=str(path),
        ) from error


def has_viewer() -> bool:
    """Whether this machine has a viewer, and a screen to show files on."""
    return _viewer() is not None


def _viewer() -> list[str] | None:
    if sys.platform == "win32":
        return ["cmd", "/c", "start", ""]
    if sys.platform == "darwin":
        return ["open"]
    has_screen = os.environ.get("DISPLAY") or os.environ.get("WAYLAND_DISPLAY")
    return ["xdg-open"] if has_screen and shutil.which("xdg-open") else None
