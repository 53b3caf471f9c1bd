"""Memory images that nobody here made: firmware and EEPROM contents from Debian packages.

Fetched at test time into a cache folder; nothing of them is kept in this project. The cache is
the folder that BENCHIMAGE_TEST_DATA names, else the user's cache folder. Fill it beforehand:

    python tests/real_images.py

Never imports memtool: whatever plants or cuts test data stands apart from what is tested.
"""

from __future__ import annotations

import functools
import os
import shutil
import subprocess
import sys
import tarfile
import tempfile
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

import platformdirs
import pytest
from filelock import FileLock

FIRMWARE = (
    *("arduino-core-avr", "seabios", "u-boot-qemu", "ovmf", "ipxe-qemu"),
    *("firmware-linux-free", "firmware-ath9k-htc", "firmware-tomu", "qemu-system-data"),
)
"""Binary packages of Debian with machine code and tables for many processors."""
DISPLAYS = "edid-decode"
"""The source package whose folder `data` holds the EEPROM contents of real displays."""

_ENDINGS = frozenset((".bin", ".rom", ".fd", ".img", ".fw", ".hex", ".ihex", ".elf", ".dtb"))
_SECONDS = 300


@dataclass(frozen=True, slots=True, kw_only=True)
class RealFile:
    """One file of a package."""

    name: str
    """``package/path inside it``."""
    data: bytes


def fetch(packages: Sequence[str] = FIRMWARE) -> tuple[RealFile, ...]:
    """Every memory image in these binary packages, by name; equal contents once.

    Skips the test with a sentence where apt cannot fetch.
    """
    found: dict[bytes, RealFile] = {}
    for package in packages:
        root = _folder(package, _unpack_binary)
        for path in sorted(root.rglob("*")):
            if path.suffix in _ENDINGS and path.is_file() and not path.is_symlink():
                data = path.read_bytes()
                name = f"{package}/{path.relative_to(root)}"
                found.setdefault(data, RealFile(name=name, data=data))
    return tuple(sorted(found.values(), key=lambda file: file.name))


def fetch_firmware() -> tuple[RealFile, ...]:
    """The binary images among the files of `FIRMWARE`: no hex text."""
    texts = (".hex", ".ihex")
    return tuple(file for file in fetch() if not file.name.endswith(texts))


def fetch_displays() -> tuple[RealFile, ...]:
    """EEPROM contents of real displays: 128 bytes each, or a few times that."""
    root = _folder(DISPLAYS, _unpack_source)
    found: dict[bytes, RealFile] = {}
    for path in sorted(root.rglob("data/*")):
        data = path.read_bytes() if path.is_file() else b""
        # The folder holds a few texts, too.
        if data.startswith(b"\x00" + b"\xff" * 6 + b"\x00") and len(data) % 128 == 0:
            name = f"{DISPLAYS}/{path.name}"
            found.setdefault(data, RealFile(name=name, data=data))
    return tuple(found.values())


def cut_pieces(files: Sequence[RealFile], size: int) -> tuple[RealFile, ...]:
    """Every different piece of `size` bytes, aligned to it; pieces of one byte throughout left out.

    Builds of one program for several machines share most of their content, so equal pieces
    count once.
    """
    found: dict[bytes, RealFile] = {}
    for file in files:
        for start in range(0, len(file.data) - size + 1, size):
            piece = file.data[start : start + size]
            if len(set(piece)) > 1:
                name = f"{file.name}@{start:#x}+{size}"
                found.setdefault(piece, RealFile(name=name, data=piece))
    return tuple(found.values())


@functools.cache
def _folder(package: str, unpack: Callable[[str, Path], None]) -> Path:
    """The unpacked package in the cache, fetched now if it is not there."""
    cache = Path(
        os.environ.get("BENCHIMAGE_TEST_DATA") or platformdirs.user_cache_dir("benchimage-tests")
    )
    cache.mkdir(parents=True, exist_ok=True)
    root = cache / f"debian-{package}"
    with FileLock(cache / f"debian-{package}.lock"):
        if not root.is_dir():
            if shutil.which("apt-get") is None or shutil.which("dpkg-deb") is None:
                pytest.skip(f"real images come from Debian's package {package}; no apt-get here")
            with tempfile.TemporaryDirectory(dir=cache) as folder:
                try:
                    unpack(package, Path(folder))
                except (OSError, KeyError, subprocess.SubprocessError) as error:
                    pytest.skip(f"apt-get could not fetch Debian's package {package}: {error}")
                (Path(folder) / "unpacked").rename(root)
    return root


def _unpack_binary(package: str, folder: Path) -> None:
    _run(folder, "apt-get", "download", "-q", package)
    (archive,) = folder.glob("*.deb")
    _run(folder, "dpkg-deb", "-x", str(archive), "unpacked")


def _unpack_source(package: str, folder: Path) -> None:
    """With an index of its own: most machines do not list sources."""
    release = dict(
        line.split("=", 1)
        for line in Path("/etc/os-release").read_text().splitlines()
        if "=" in line
    )
    keys = "/usr/share/keyrings/debian-archive-keyring.gpg"
    url = f"http://deb.debian.org/debian {release['VERSION_CODENAME']} main"
    (folder / "sources.list").write_text(f"deb-src [signed-by={keys}] {url}\n")
    (folder / "lists" / "partial").mkdir(parents=True)
    options = []
    for option in (
        f"Dir::Etc::SourceList={folder}/sources.list",
        "Dir::Etc::SourceParts=-",
        f"Dir::State::Lists={folder}/lists",
        "Dir::Cache::pkgcache=",
        "Dir::Cache::srcpkgcache=",
    ):
        options += ["-o", option]
    _run(folder, "apt-get", *options, "update", "-q")
    _run(folder, "apt-get", *options, "source", "-q", "--download-only", package)
    (archive,) = folder.glob("*.orig.tar.*")
    with tarfile.open(archive) as packed:
        # Debian 12's own Python, 3.11.2, knows no filters yet.
        if hasattr(tarfile, "data_filter"):
            packed.extractall(folder / "unpacked", filter="data")
        else:
            packed.extractall(folder / "unpacked")


def _run(folder: Path, *command: str) -> None:
    subprocess.run(command, cwd=folder, check=True, capture_output=True, timeout=_SECONDS)


if __name__ == "__main__":
    for each in (*fetch(), *fetch_displays()):
        sys.stdout.write(f"{len(each.data):>9,} {each.name}\n")
