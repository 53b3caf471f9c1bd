"""Layouts of the stores that the tests make, written by hand from their published formats."""

from __future__ import annotations

NVS = """\
[layout]
name = "comfort controller, data flash"
chip = "{chip}"
size = {size}
module = "body"
reviewed = true

[[records]]
name = "data flash"
span = "0+{size}"
record = 32
length = {{ at = 2, type = "u8", counts = "entries" }}
key = [
  {{ at = 0, type = "u8" }},              # name space
  {{ at = 8, type = "ascii", size = 16 }},
  {{ at = 3, type = "u8" }},              # number of the chunk of a blob, else 0xFF
  {{ at = 1, type = "u8" }},              # type
]
newest = {{ by = "position" }}

[records.value]
at = 32
length = {{ at = 24, type = "u16le" }}
where = {{ at = 1, one_of = [0x21, 0x42] }}

[[records.checksum]]
algorithm = "width=32 poly=0x04C11DB7 init=0x00000000 refin=true refout=true xorout=0xFFFFFFFF"
covers = ["0-3", "8-31"]
at = 4
byte_order = "little"
when_blanked = "refresh"

[[records.checksum]]
algorithm = "width=32 poly=0x04C11DB7 init=0x00000000 refin=true refout=true xorout=0xFFFFFFFF"
covers = "value"
at = 28
byte_order = "little"
when_blanked = "refresh"
where = {{ at = 1, one_of = [0x21, 0x42] }}

[records.page]
size = 4096
header = 64
sequence = {{ at = 4, type = "u32le" }}
state = {{ at = 0, type = "u32le", valid = [0xFFFFFFF8, 0xFFFFFFFC, 0xFFFFFFFE] }}
marks = {{ at = 32, bits = 2, valid = 2, free = 3 }}

[records.page.checksum]
algorithm = "width=32 poly=0x04C11DB7 init=0x00000000 refin=true refout=true xorout=0xFFFFFFFF"
covers = "4-27"
at = 28
byte_order = "little"
when_blanked = "refresh"

[[records.region]]
name = "VIN"
key = [{namespace}, "vin"]
span = "32+17"
kind = "vehicle-identity"
type = "vin"
"""
"""The format of `tests.stores.nvs`. Fill in chip, size, and the VIN's name space."""

PAIRED = """\
[layout]
name = "seat controller, emulated EEPROM"
chip = "{size}"
size = {size}
module = "body"
reviewed = true

[[records]]
name = "emulated EEPROM"
span = "0+{size}"
record = 4
key = {{ at = 2, type = "u16le" }}
newest = {{ by = "position" }}
value = {{ at = 0, size = 2 }}

[records.page]
size = {page}
header = 4
state = {{ at = 0, type = "u16le", valid = [0x0000, 0xEEEE] }}

[[records.region]]
name = "VIN"
keys = [0x0110, 0x0111, 0x0112, 0x0113, 0x0114, 0x0115, 0x0116, 0x0117, 0x0118]
span = "0+17"
kind = "vehicle-identity"
type = "vin"
blank_to = 0x00
"""
"""The format of `tests.stores.paired_pages`. Fill in size and page size."""
