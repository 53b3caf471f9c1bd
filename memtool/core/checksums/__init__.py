"""Algorithms by name, and the rules by which a module stores their values."""
