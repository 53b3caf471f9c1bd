"""The report's words explained to a customer. Plain meanings; common practice, no source."""

from __future__ import annotations

GLOSSARY = (
    ("address", "The number of a byte in a memory, counted from the first; written 0x0120."),
    ("backup", "A copy of a module's memory, kept unchanged and checked again before each use."),
    ("blank", "To overwrite bytes with the value of an empty memory."),
    ("byte", "Eight bits: the smallest piece of memory; written as two digits, for example 3F."),
    ("checksum", "A number made from other bytes; a module uses it to notice damage."),
    ("donor", "The used module that replaces the failed one."),
    ("file to program", "The donor's memory without the identity of its former vehicle."),
    ("identity", "The VIN of a vehicle, wherever and in whatever form a memory holds it."),
    ("image", "The content of one memory chip, byte by byte."),
    ("journal", "The job's record. Each line carries the hash of the line before it."),
    ("layout", "A description of what is where in the memory of one module family."),
    ("masked", "Shown as dots: the VIN of another vehicle is private."),
    ("measured", "Read from the module's memory itself."),
    ("original", "The failed module that came with the vehicle."),
    ("protected", "Keys, immobiliser, odometer and crash data: never shown, never changed."),
    ("read after programming", "The module's memory, read again once it was written."),
    ("reported", "Reported by a scan tool; the memory itself was not read."),
    ("SHA-256", "A fingerprint of a file: change one byte and it changes completely."),
    ("VIN", "Vehicle identification number: the 17 characters on the plate and in the papers."),
)
