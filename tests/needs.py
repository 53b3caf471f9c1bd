"""What single tests need beside Python and the extra `dev`, and what to install for it.

A test whose need is not met skips with one sentence, so that a machine that has nothing but
Python passes. With CI=true `conftest.py` makes a failure of that skip: there everything is
installed.
"""

from __future__ import annotations

import importlib.util
import os
import shutil
from pathlib import Path

import pytest

PACKAGES = {
    "chattr": "e2fsprogs",
    "chromium": "chromium",
    "faketime": "faketime",
    "lowntfs-3g": "ntfs-3g",
    "mkfs.exfat": "exfatprogs",
    "mkfs.ext4": "e2fsprogs",
    "mkntfs": "ntfs-3g",
    "mount.exfat-fuse": "exfat-fuse",
    "objcopy": "binutils",
    "pdfimages": "poppler-utils",
    "pdfinfo": "poppler-utils",
    "pdftohtml": "poppler-utils",
    "pdftotext": "poppler-utils",
    "qpdf": "qpdf",
    "setpriv": "util-linux",
    "strace": "strace",
    "tmux": "tmux",
}
"""Program: the package of Debian 12 that holds it (`dpkg -S`)."""

# The bits of Linux' capabilities, by linux/capability.h.
_LINUX_IMMUTABLE, _SYS_ADMIN = 9, 21


def needs(*programs: str) -> pytest.MarkDecorator:
    """The mark of a test that runs these programs."""
    reason = _reason(programs)
    return pytest.mark.skipif(reason is not None, reason=reason or "")


def require(program: str) -> str:
    """The path of a program; skips the test that is under way if the machine lacks it.

    For fixtures, and for helpers that several tests share.
    """
    reason = _reason((program,))
    if reason is not None:
        pytest.skip(reason)
    path = shutil.which(program)
    assert path is not None
    return path


def _reason(programs: tuple[str, ...]) -> str | None:
    missing = [program for program in programs if shutil.which(program) is None]
    if not missing:
        return None
    packages = sorted({PACKAGES[program] for program in missing})
    plural = "s" if len(packages) > 1 else ""
    return (
        f"needs {' and '.join(missing)}: install the Debian package{plural} {', '.join(packages)}"
    )


def _is_root() -> bool:
    return hasattr(os, "geteuid") and os.geteuid() == 0


def _may_mount() -> bool:
    """Root of a plain container may neither mount nor make a file immutable."""
    status = Path("/proc/self/status")
    if not _is_root() or not status.exists():
        return False
    _, _, after = status.read_text().partition("CapEff:")
    held = int(after.split()[0], 16)
    return all(held >> bit & 1 for bit in (_LINUX_IMMUTABLE, _SYS_ADMIN))


needs_root = pytest.mark.skipif(
    not _is_root(), reason="needs root: run the tests as root (Debian package sudo)"
)
needs_mounts = pytest.mark.skipif(
    not _may_mount(),
    reason="needs root with the right to mount (Debian package mount), in a container --privileged",
)
needs_fuzz = pytest.mark.skipif(
    importlib.util.find_spec("atheris") is None,
    reason="needs the extra 'fuzz': pip install -e '.[fuzz]'",
)
