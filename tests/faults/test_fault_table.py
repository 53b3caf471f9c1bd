"""Every fault of the table in `docs/reliability.md` has the tests that it names."""

from __future__ import annotations

import re

from tests.command_line import ROOT

ROW = re.compile(r"^\| (F\d\d) \| .+ \| .+ \| (.+) \|$", re.MULTILINE)
PAGE = ROOT / "docs" / "reliability.md"


def test_each_of_the_forty_faults_names_tests_that_are_there() -> None:
    rows = dict(ROW.findall(PAGE.read_text(encoding="utf-8")))
    assert list(rows) == [f"F{number:02d}" for number in range(1, 41)]
    for number, cell in rows.items():
        named = re.findall(r"`([\w/]+\.py)::(\w+)`", cell)
        assert named, number
        for file, test in named:
            text = (ROOT / "tests" / file).read_text(encoding="utf-8")
            assert re.search(rf"^(def {test}\(|{test} = )", text, re.MULTILINE), (number, test)
