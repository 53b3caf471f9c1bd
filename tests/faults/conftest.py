"""One bench and one server of forks for each file of the strace sweep."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from tests.faults.sweep_by_strace import Sweep, sweeping


@pytest.fixture(scope="module")
def sweep() -> Iterator[Sweep]:
    with sweeping() as made:
        yield made
