"""Pure functions over bytes and dataclasses: no files, no printing, no clock."""
