"""Several reads of one chip: where they differ, how, and which value most of them hold."""
