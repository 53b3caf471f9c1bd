"""The list of digests of an archive, read by the tool that it is made for."""

from __future__ import annotations

import subprocess
from pathlib import Path

from hypothesis import given
from hypothesis import strategies as st

from memtool.store.archive import parse_sums, write_sums

# Characters that GNU coreutils escapes in its lists (manual, "cksum output modes"), and others.
NAMES = st.text(alphabet="a b\\\n\r/é*", min_size=1, max_size=12)


@given(st.dictionaries(NAMES, st.binary(max_size=8), max_size=5))
def test_what_is_written_is_read_back_with_every_path(files: dict[str, bytes]) -> None:
    assert set(parse_sums(write_sums(files))) == set(files)


def test_sha256sum_reads_escaped_paths(tmp_path: Path) -> None:
    files = {"plain.bin": b"1", "back\\slash": b"2", "line\nend": b"3"}
    for name, data in files.items():
        (tmp_path / name).write_bytes(data)
    (tmp_path / "list").write_bytes(write_sums(files))
    checked = ("sha256sum", "--strict", "-c", "list")
    done = subprocess.run(checked, cwd=tmp_path, capture_output=True, check=False)
    assert done.returncode == 0, done.stdout
