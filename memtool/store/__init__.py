"""The only place that touches disk."""
