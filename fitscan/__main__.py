"""The command `fitscan`, and `python -m fitscan`: loads the command line, which takes a moment.

Ctrl-C in that moment is answered here; from then on it is `fitscan.cli`'s.
"""

import sys

__all__ = ["main"]


def main() -> None:
    """Load the command line and run it."""
    try:
        from fitscan.cli import main as run
    except KeyboardInterrupt:
        from fitscan.errors import STOPPED

        sys.stderr.write(f"fitscan: {STOPPED}\n")
        raise SystemExit(130) from None
    run()


if __name__ == "__main__":
    main()
