"""The command line: parse, call, print. No computation happens here.

One module a group of commands; each registers its commands with `app` as it is imported, in the
order in which help lists them; `quick` stands before all. Everything heavy is imported inside the
command that needs it, so that help answers at once.
"""

from fitscan.cli import (  # noqa: I001 (help's order)
    quick,
    prepare,
    solve,
    planning,
    compare,
    gap,
    swing,
    inspect,
    cut,
    fabricate,
    share,
    keep,
    page,
    samples,
)
from fitscan.cli.app import app
from fitscan.cli.run import main

__all__ = [
    "app",
    "compare",
    "cut",
    "fabricate",
    "gap",
    "inspect",
    "keep",
    "main",
    "page",
    "planning",
    "prepare",
    "quick",
    "samples",
    "share",
    "solve",
    "swing",
]
