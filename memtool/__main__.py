"""``python -m memtool`` is the command ``benchimage``."""

from memtool.cli.main import run

if __name__ == "__main__":
    run()
