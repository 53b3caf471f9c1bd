"""F10: Ctrl-C that meets the last words of a run ends it with a status, never with a traceback."""

from __future__ import annotations

from tests.faults.sweep_by_strace import INTERRUPT, Sweep
from tests.needs import needs

pytestmark = needs("strace")
REFUSED = ["blank", "donor", "--job", "job", "--store", "store"]
"""Nobody is there to confirm: refused after all the looking, exit 2."""


def test_an_interrupt_while_a_refusal_is_said(sweep: Sweep) -> None:
    calls = sweep.server.calls(REFUSED, cwd=sweep.fresh())
    writes = calls.count("write")
    assert writes >= 1
    statuses = set()
    for position in range(1, writes + 1):
        outcome = sweep.server.run(
            REFUSED, cwd=sweep.fresh(), inject=f"write:{INTERRUPT}:when={position}"
        )
        assert "Traceback" not in outcome.stderr
        statuses.add(outcome.status)
    assert statuses <= {2, 130}
