"""Names of algorithms, their parameters, and what computing refuses."""

from __future__ import annotations

import subprocess
import sys

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from memtool.core.checksums.algorithm_names import fold_name, is_ambiguous
from memtool.core.checksums.algorithms import (
    UnknownAlgorithmError,
    compute_value,
    get_algorithm,
    list_algorithms,
)
from memtool.core.checksums.crc import CrcParameters, compute_crc, reflect
from memtool.core.checksums.sums import Ending
from tests import checksum_reference as reference

ALL = list_algorithms()
ALL_SUMS = (*reference.SUM_NAMES, *reference.XOR_NAMES, *reference.OTHER_NAMES)
WORDS = tuple(
    f"-{order}{end}" for order in ("BE", "LE") for end in ("", "/ONES", "/TWOS", "/TOTAL")
)
SUMS = [algorithm for algorithm in ALL if algorithm.crc is None]
EVEN_BYTES = st.binary(max_size=64).map(lambda data: data[: len(data) // 2 * 2])


def test_the_list_holds_112_crcs_and_the_sums_by_name() -> None:
    names = [algorithm.name for algorithm in ALL]
    assert len(names) == len(set(names))
    assert sum(algorithm.family == "crc" for algorithm in ALL) == 112
    assert [item.name for item in SUMS] == [*ALL_SUMS]


def test_crcs_stand_by_width_then_name() -> None:
    crcs = [(item.width, item.name) for item in ALL if item.crc is not None]
    assert crcs == sorted(crcs)


@pytest.mark.parametrize("name", ALL_SUMS)
@given(data=EVEN_BYTES, seed=st.integers(0, 2**32 - 1))
@settings(max_examples=30)
def test_sum_equals_the_slow_reference(name: str, data: bytes, seed: int) -> None:
    algorithm = get_algorithm(name)
    total = seed % (1 << algorithm.width) if algorithm.ending is Ending.TOTAL else None
    found = compute_value(algorithm, data, total=total)
    assert found == reference.sum_value(name, data, total or 0)


@pytest.mark.parametrize("name", ALL_SUMS)
def test_sum_of_much_data_equals_the_slow_reference(name: str) -> None:
    # Above the block in which Fletcher's sums are added up, and past 2**16 of high bytes.
    data = bytes(range(251)) * 800 + b"\xff" * 70_000
    assert compute_value(get_algorithm(name), data) == reference.sum_value(name, data)


@pytest.mark.parametrize("name", ["XOR-8", *reference.OTHER_NAMES])
@given(data=st.binary(max_size=41))
@settings(max_examples=40)
def test_odd_lengths_are_summed_as_published(name: str, data: bytes) -> None:
    # Fletcher-32 pads with a zero byte; the others take single bytes.
    assert compute_value(get_algorithm(name), data) == reference.plain_sum(name, data)


@pytest.mark.parametrize("name", [name for name in ALL_SUMS if name.endswith(WORDS)])
def test_word_sum_refuses_an_odd_number_of_bytes(name: str) -> None:
    with pytest.raises(ValueError, match="even number of bytes, not 5"):
        compute_value(get_algorithm(name), b"12345")


def test_total_is_refused_where_it_means_nothing_or_does_not_fit() -> None:
    with pytest.raises(ValueError, match="SUM-8 takes no total"):
        compute_value(get_algorithm("SUM-8"), b"1", total=0)
    with pytest.raises(ValueError, match="256 does not fit into 8 bits"):
        compute_value(get_algorithm("SUM-8/TOTAL"), b"1", total=256)
    with pytest.raises(ValueError, match="-1 does not fit"):
        compute_value(get_algorithm("SUM-8/TOTAL"), b"1", total=-1)


@given(
    crc=st.integers(1, 64).flatmap(
        lambda width: st.builds(
            reference.Crc,
            width=st.just(width),
            poly=st.integers(0, 2 ** (width - 1) - 1).map(lambda half: 2 * half + 1),
            init=st.integers(0, 2**width - 1),
            refin=st.booleans(),
            refout=st.booleans(),
            xorout=st.integers(0, 2**width - 1),
        )
    ),
    data=st.binary(max_size=40),
)
@settings(max_examples=200)
def test_crc_of_any_parameters_equals_the_slow_reference(crc: reference.Crc, data: bytes) -> None:
    parameters = CrcParameters(
        width=crc.width,
        poly=crc.poly,
        init=crc.init,
        refin=crc.refin,
        refout=crc.refout,
        xorout=crc.xorout,
        check=0,
    )
    assert compute_crc(parameters, data) == reference.crc_value(crc, data)


@given(
    width=st.sampled_from([8, 16, 24, 32, 64]),
    numbers=st.tuples(*[st.integers(0, 2**64 - 1)] * 3),
    is_reflected=st.booleans(),
    data=st.binary(max_size=20),
)
def test_residue_is_what_a_block_and_its_own_crc_leave(
    width: int, numbers: tuple[int, int, int], is_reflected: bool, data: bytes
) -> None:
    # The CRC follows the block in the order of its bits; xorout is left out at the end.
    poly, init, xorout = (number % (1 << width) for number in numbers)
    crc = reference.Crc(width, poly | 1, init, is_reflected, is_reflected, xorout)
    value = reference.crc_value(crc, data)
    codeword = data + value.to_bytes(width // 8, "little" if is_reflected else "big")
    parameters = CrcParameters(
        width=width,
        poly=poly | 1,
        init=init,
        refin=is_reflected,
        refout=is_reflected,
        xorout=xorout,
        check=0,
    )
    assert parameters.residue == reference.crc_value(crc, codeword) ^ xorout


def test_reflect_keeps_the_width() -> None:
    assert reflect(0b0001, 4) == 0b1000
    assert reflect(0x04C11DB7, 32) == 0xEDB88320  # The reversed form that zlib's sources show.
    assert reflect(0, 3) == 0


@pytest.mark.parametrize(
    "text",
    ["CRC-16/IBM-3740", "crc-16/ibm-3740", "CRC16_IBM_3740", "crc16 ibm 3740", "CRC-16/AUTOSAR"],
)
def test_spellings_and_aliases_are_answered_with_the_catalogue_name(text: str) -> None:
    assert get_algorithm(text).name == "CRC-16/IBM-3740"


def test_every_name_and_alias_finds_its_own_algorithm() -> None:
    for algorithm in ALL:
        for name in (algorithm.name, *algorithm.aliases):
            assert get_algorithm(name) is algorithm
            assert not is_ambiguous(name)


def test_no_two_names_fold_to_one() -> None:
    names = [name for item in ALL for name in (item.name, *item.aliases)]
    assert len({fold_name(name) for name in names}) == len(names)


@pytest.mark.parametrize(
    ("text", "candidates"),
    [
        # What the libraries take the bare names for: crccheck 1.3.1 says XMODEM, anycrc
        # 2.1.0 ARC; crccheck SMBUS, crcengine 0.4.0 DVB-S2; crccheck's Crc32B is BZIP2.
        ("CRC-16", {"CRC-16/ARC", "CRC-16/XMODEM", "CRC-16/IBM-3740", "CRC-16/MODBUS"}),
        ("crc16", {"CRC-16/ARC", "CRC-16/XMODEM"}),
        ("CRC-8", {"CRC-8/SMBUS", "CRC-8/DVB-S2"}),
        ("CRC-32", {"CRC-32/ISO-HDLC", "CRC-32/BZIP2", "CRC-32/AUTOSAR"}),
        ("Crc32B", {"CRC-32/ISO-HDLC", "CRC-32/BZIP2"}),
        ("CCITT", {"CRC-16/KERMIT", "CRC-16/IBM-3740", "CRC-16/XMODEM"}),
        ("CRC-CCITT", {"CRC-16/KERMIT", "CRC-16/IBM-3740", "CRC-16/XMODEM"}),
        ("CRC-16/CCITT", {"CRC-16/KERMIT", "CRC-16/IBM-3740", "CRC-16/XMODEM"}),
        ("crc8-ccitt", {"CRC-8/SMBUS", "CRC-8/I-432-1"}),
        ("CRC", {"CRC-8/SMBUS", "CRC-64/XZ"}),
        ("LRC", {"XOR-8", "SUM-8/TWOS"}),
        ("Fletcher", {"FLETCHER-16", "FLETCHER-32"}),
        ("WORDSUM-16", {"WORDSUM-16-BE", "WORDSUM-16-LE"}),
        ("xor 16", {"XOR-16-BE", "XOR-16-LE"}),
        ("XOR", {"XOR-8", "XOR-16-BE", "XOR-16-LE"}),
        ("checksum", {"SUM-8", "SUM-16", "SUM-32"}),
    ],
)
def test_ambiguous_names_are_refused_with_their_candidates(text: str, candidates: set[str]) -> None:
    with pytest.raises(UnknownAlgorithmError) as caught:
        get_algorithm(text)
    assert caught.value.ambiguous
    assert candidates <= set(caught.value.candidates)
    known = {algorithm.name for algorithm in ALL}
    assert set(caught.value.candidates) <= known
    assert "write which one is meant" in str(caught.value)


def test_a_bare_crc_16_names_all_of_its_width_with_the_likely_ones_first() -> None:
    with pytest.raises(UnknownAlgorithmError) as caught:
        get_algorithm("CRC-16")
    assert len(caught.value.candidates) == 31
    assert set(caught.value.candidates[:2]) == {"CRC-16/ARC", "CRC-16/IBM-3740"}
    assert "and 25 more" in str(caught.value)


@pytest.mark.parametrize(
    ("text", "meant"),
    [
        ("CRC-16/IBM-3470", "CRC-16/IBM-3740"),
        ("CRC-16/MODBUSS", "CRC-16/MODBUS"),
        ("CRC-32/ISOHDL", "CRC-32/ISO-HDLC"),
        ("WORDSUMM-16-BE", "WORDSUM-16-BE"),
        ("SUM-8/TWO", "SUM-8/TWOS"),
        ("FLETCHR-16", "FLETCHER-16"),
    ],
)
def test_a_slip_gets_the_close_name_first(text: str, meant: str) -> None:
    with pytest.raises(UnknownAlgorithmError) as caught:
        get_algorithm(text)
    assert not caught.value.ambiguous
    assert caught.value.candidates[0] == meant


@pytest.mark.parametrize(
    "text", ["", "nothing like it", "CRC" + "9" * 5000, "x" * 1_000_000, "\x1b"]
)
def test_any_other_text_is_refused_in_one_short_sentence(text: str) -> None:
    with pytest.raises(UnknownAlgorithmError) as caught:
        get_algorithm(text)
    assert len(str(caught.value)) < 300


def test_the_82_bit_crc_is_named_as_the_one_that_is_missing() -> None:
    with pytest.raises(UnknownAlgorithmError, match="wider than 64 bits"):
        get_algorithm("CRC-82/DARC")


def test_importing_the_module_loads_neither_numpy_nor_the_crc_library() -> None:
    code = (
        "import sys, memtool.core.checksums.checksum\n"
        "print(sorted({'numpy', 'anycrc'} & set(sys.modules)))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"
