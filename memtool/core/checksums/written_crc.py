"""A CRC that no catalogue has, written out by its parameters.

The notation is that of the rows of G. Cook, "Catalogue of parametrised CRC algorithms"::

    width=32 poly=0x04C11DB7 init=0x00000000 refin=true refout=true xorout=0xFFFFFFFF

without ``check``, ``residue`` and ``name``. Real memories hold such CRCs: a library's routine
whose start value was set to what its author took for the usual one.
"""

from __future__ import annotations

import re

from memtool.core.checksums.crc import CrcParameters, compute_crc

_KEYS = ("width", "poly", "init", "refin", "refout", "xorout")
_NUMBER = re.compile(r"0[xX][0-9a-fA-F]{1,16}|[0-9]{1,20}", re.ASCII)
_ADVICE = "write it as width=16 poly=0x1021 init=0xFFFF refin=false refout=false xorout=0x0000"
NARROWEST, WIDEST = 3, 64


def is_written_crc(name: str) -> bool:
    """Whether `name` is parameters, sound or not, and no name."""
    return "=" in name


def parse_written_crc(text: str) -> CrcParameters:
    """The CRC of these parameters.

    Raises:
        ValueError: a key is missing, unknown, given twice, or its value does not fit.
    """
    values: dict[str, str] = {}
    for part in text.split():
        key, found, value = part.partition("=")
        if not found or key not in _KEYS or key in values:
            raise ValueError(f"'{part[:40]}' has no place in a CRC's parameters: {_ADVICE}")
        values[key] = value
    missing = [key for key in _KEYS if key not in values]
    if missing:
        raise ValueError(f"the CRC's {', '.join(missing)} is missing: {_ADVICE}")
    width = _number("width", values["width"], 7)
    if not NARROWEST <= width <= WIDEST:
        raise ValueError(f"a CRC of {width} bits is not computed: {NARROWEST} to {WIDEST} are")
    parameters = CrcParameters(
        width=width,
        poly=_number("poly", values["poly"], width),
        init=_number("init", values["init"], width),
        refin=_truth("refin", values["refin"]),
        refout=_truth("refout", values["refout"]),
        xorout=_number("xorout", values["xorout"], width),
        check=0,
    )
    if parameters.poly % 2 == 0:
        raise ValueError(f"poly={values['poly']} is even, and no CRC's polynomial is")
    return with_check(parameters)


def with_check(parameters: CrcParameters) -> CrcParameters:
    """The same with its check value, which follows from the rest."""
    return parameters._replace(check=compute_crc(parameters, b"123456789"))


def format_written_crc(parameters: CrcParameters) -> str:
    """The parameters as `parse_written_crc` reads them."""
    digits = (parameters.width + 3) // 4
    poly, init, xorout = (
        f"0x{value:0{digits}X}" for value in (parameters.poly, parameters.init, parameters.xorout)
    )
    refin, refout = (str(value).lower() for value in (parameters.refin, parameters.refout))
    return (
        f"width={parameters.width} poly={poly} init={init} refin={refin} refout={refout}"
        f" xorout={xorout}"
    )


def _number(key: str, text: str, width: int) -> int:
    if not _NUMBER.fullmatch(text):
        raise ValueError(f"{key}={text[:40]} is not a number: {_ADVICE}")
    value = int(text, 16) if text[:2] in ("0x", "0X") else int(text, 10)
    if value >> width:
        raise ValueError(f"{key}={text} does not fit into {width} bits")
    return value


def _truth(key: str, text: str) -> bool:
    if text not in ("true", "false"):
        raise ValueError(f"{key}={text[:40]} must be true or false")
    return text == "true"
