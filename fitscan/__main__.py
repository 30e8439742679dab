"""So that `python -m fitscan` is the command `fitscan`."""

from fitscan.cli import main

if __name__ == "__main__":
    main()
