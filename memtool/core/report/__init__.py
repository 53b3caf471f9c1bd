"""The customer file as facts."""
