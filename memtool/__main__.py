"""``python -m memtool`` is the command ``benchimage``."""

from memtool.cli.main import main

if __name__ == "__main__":
    main()
