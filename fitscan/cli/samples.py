"""The command that does both jobs on the sample photos.

Parse, call, print; no computation happens here.
"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from fitscan.cli.app import CAUTION, Quiet, Workers, app
from fitscan.cli.screen import (
    progress,
    say_files,
    screen_for,
)


@app.command(epilog=CAUTION)
def demo(
    out: Annotated[
        Path, typer.Option(help="Folder for the results; made anew, never written over.")
    ] = Path("demo_results"),
    samples: Annotated[
        Path | None, typer.Option(help="Folder that holds sample_images and calibration.")
    ] = None,
    workers: Workers = None,
    quiet: Quiet = False,
) -> None:
    """Do both jobs on the sample photos: the door bar's gap, and the cage's recheck."""
    from fitscan.demo import run_demo
    from fitscan.report.tables import gap_table, recheck_table

    with progress(quiet=quiet) as tell:
        result = run_demo(out, samples, workers=workers, progress=tell)
    if not quiet:
        screen = screen_for(hushed=False)
        screen.print(gap_table(result.gap))
        screen.print(recheck_table(result.recheck))
        screen.print(f"Done in {result.seconds:.0f} s. Look at these:")
        say_files(screen, *result.files)
