"""Open VIN data, read at test time from the source archive of the package vin 0.6.2.

The archive (MIT licence) holds real listings, maker-published patterns and the exceptions that
the US regulator lists. They belong to real vehicles, so nothing of it is kept in this project:
the archive is fetched once with pip into a cache folder. Put it into the folder that
BENCHIMAGE_TEST_DATA names to work without a network, or run this file once beforehand:

    python tests/outside/open_vins.py
"""

from __future__ import annotations

import functools
import hashlib
import os
import re
import subprocess
import sys
import tarfile
import tempfile
from pathlib import Path

import platformdirs
from filelock import FileLock

REQUIREMENT = "vin==0.6.2"
ARCHIVE = "vin-0.6.2.tar.gz"
SHA256 = "4caa659d5b40a664dd3b2bcc6c6dbd3e203e6ac5b237d914dac08550428b86d3"

REAL_LISTINGS = "cars/test_decode.yaml"
EXCEPTIONS = "test_vin_exceptions.yaml"

_ENTRY = re.compile(r"^ *- ", re.M)
_VIN = re.compile(r"^ *vin: *(\S+)$", re.M)
_YEAR = re.compile(r"^ *model_year: *(\d{4})$", re.M)


def read_rows(name: str) -> tuple[tuple[str, int], ...]:
    """The (VIN, model year) rows of one file below the archive's ``tests`` folder."""
    rows: list[tuple[str, int]] = []
    for entry in _ENTRY.split(_texts()[name])[1:]:
        (vin,), (year,) = _VIN.findall(entry), _YEAR.findall(entry)
        rows.append((vin, int(year)))
    return tuple(rows)


def read_patterns() -> tuple[tuple[str, int], ...]:
    """The rows of all maker-published patterns; their serial is 000001."""
    names = sorted(name for name in _texts() if re.fullmatch(r"cars/test_\w+\.yaml", name))
    return tuple(row for name in names if name != REAL_LISTINGS for row in read_rows(name))


@functools.cache
def _texts() -> dict[str, str]:
    """Every YAML file of the archive's tests, by its name below ``tests``."""
    texts: dict[str, str] = {}
    with tarfile.open(archive_path()) as archive:
        for member in archive:
            _, _, name = member.name.partition("/tests/")
            if name.endswith(".yaml"):
                content = archive.extractfile(member)
                assert content is not None
                texts[name] = content.read().decode("utf-8")
    return texts


def archive_path() -> Path:
    """The verified archive, from the cache or fetched now."""
    folder = Path(
        os.environ.get("BENCHIMAGE_TEST_DATA") or platformdirs.user_cache_dir("benchimage-tests")
    )
    folder.mkdir(parents=True, exist_ok=True)
    path = folder / ARCHIVE
    with FileLock(folder / f"{ARCHIVE}.lock"):
        if not path.exists() or _digest(path) != SHA256:
            _fetch(path)
    return path


def _digest(path: Path) -> str:
    return hashlib.sha256(path.read_bytes()).hexdigest()


def _fetch(path: Path) -> None:
    """Fetch the archive with pip; without build isolation first, which is ten times faster."""
    pip = [sys.executable, "-m", "pip", "download", "--no-deps", "--no-binary", ":all:"]
    tails: list[str] = []
    for extra in (["--no-build-isolation"], []):
        with tempfile.TemporaryDirectory(dir=path.parent) as folder:
            done = subprocess.run(
                [*pip, *extra, "--dest", folder, REQUIREMENT],
                capture_output=True,
                text=True,
                timeout=300,
            )
            fetched = Path(folder) / ARCHIVE
            if done.returncode == 0 and fetched.exists():
                assert _digest(fetched) == SHA256, f"{ARCHIVE} is not the archive known here"
                fetched.replace(path)
                return
            tails.append(done.stderr[-500:])
    raise RuntimeError(f"pip could not fetch {REQUIREMENT}: {' / '.join(tails)}")


if __name__ == "__main__":
    sys.stdout.write(f"{archive_path()}\n")
