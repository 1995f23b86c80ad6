"""The command `icelogs`, also as `python -m pipeline`."""

import sys


def main() -> int:
    """Run one verb; return the exit status. Ctrl-C while the program is still being loaded ends it in one line, too."""
    try:
        from pipeline.cli import main as run

        return run()
    except KeyboardInterrupt:
        print("icelogs: stopped", file=sys.stderr)
        return 130


if __name__ == "__main__":
    sys.exit(main())
