"""Bytes to images and back, strict, without touching disk."""
