"""Checksums as lines: nothing over 80 columns, no value cut."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from memtool.core.checksums.algorithms import Algorithm, list_algorithms
from memtool.core.checksums.checksum import ChecksumResult
from memtool.core.finding import Verdict
from memtool.core.span import Span
from memtool.render.text.checksum_text import render_results, render_value, value_hex


def result(name: str, algorithm: str, value: bytes, *, reason: str | None = None) -> ChecksumResult:
    return ChecksumResult(
        name=name,
        algorithm=algorithm,
        stored=value,
        computed=b"" if reason else value,
        result=Verdict.NOT_CHECKED if reason else Verdict.PASS,
        reason=reason,
    )


@given(
    name=st.text(max_size=120),
    algorithm=st.sampled_from(list_algorithms()),
    reason=st.none() | st.text(min_size=1, max_size=200),
)
@settings(max_examples=60)
def test_results_stay_in_80_columns_and_show_values_whole(
    name: str, algorithm: Algorithm, reason: str | None
) -> None:
    value = bytes(range(0xA1, 0xA1 + algorithm.field_length))
    text = render_results([result(name, algorithm.name, value, reason=reason)])
    assert value.hex(" ").upper() in text
    # Line ends alone, not every separator that Unicode knows.
    assert max(map(len, text.split("\n"))) <= 80
    assert ("not checked" in text) is (reason is not None)


def test_the_widest_rows_together_keep_their_values() -> None:
    rows = [
        result("first block of the door zone controller", "CRC-64/ECMA-182", b"\xab" * 8),
        result("second", "CRC-16/ISO-IEC-14443-3-A", b"\x12\x34"),
    ]
    text = render_results(rows)
    assert " ".join(["AB"] * 8) in text
    assert "12 34" in text
    assert max(map(len, text.splitlines())) <= 80


@pytest.mark.parametrize("algorithm", list_algorithms(), ids=lambda algorithm: algorithm.name)
def test_a_value_is_shown_with_name_and_what_the_name_means(algorithm: Algorithm) -> None:
    text = render_value(algorithm, Span(0x120, 0x131), 1)
    assert algorithm.name in text
    assert "0x0120-0x0130 (17 bytes)" in text
    assert f"\nvalue      {'00' * (algorithm.field_length - 1)}01\n" in text
    if algorithm.crc is not None:
        assert f"poly {value_hex(algorithm.crc.poly, algorithm.width)}" in text
    assert max(map(len, text.splitlines())) <= 80
