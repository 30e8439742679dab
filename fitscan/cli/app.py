"""The program itself and the options that many commands share.

What a command does stands in the module of its group; what reaches the screen, in `screen`.
"""

from __future__ import annotations

from typing import Annotated

import typer

from fitscan import __version__

__all__ = ["CAUTION", "Json", "Quiet", "Replace", "Workers", "app"]

CAUTION = (
    "fitscan measures fit. It does not approve a design, a weld or a material: the rules of your "
    "sanctioning body and local law decide, with a licensed or scrutineering person. Check by hand "
    "before you cut or weld, and keep paper and fuel away from hot work."
)

app = typer.Typer(
    name="fitscan",
    help="Measure how a welded tube cage fits its car, from phone photos of printed markers.",
    epilog=CAUTION,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
    context_settings={"help_option_names": ["-h", "--help"]},
)

Json = Annotated[bool, typer.Option("--json", help="Print the result as JSON for machines.")]
Quiet = Annotated[bool, typer.Option("--quiet", "-q", help="Print errors only.")]
Replace = Annotated[bool, typer.Option("--replace", help="Write over an existing result file.")]
Workers = Annotated[
    int | None, typer.Option(min=1, help="Processes that work on photos; all cores if not given.")
]


def _version(wanted: bool) -> None:
    if wanted:
        typer.echo(f"fitscan {__version__}")
        raise typer.Exit


@app.callback()
def _common(
    version: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Say the version.")
    ] = False,
) -> None:
    """Common options."""
