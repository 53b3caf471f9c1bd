"""Stores of records in flash: what they hold, and where a layout's rules place it."""
