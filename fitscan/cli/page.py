"""The command that opens the job's page for phones on the workshop's network.

Parse, call, print; no computation happens here.
"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from fitscan.cli.app import CAUTION, app


@app.command(epilog=CAUTION)
def page(
    job: Annotated[Path, typer.Argument(help="Job folder, with kit.toml in it.")],
    lan: Annotated[
        bool, typer.Option("--lan", help="Let phones on this computer's network reach the page.")
    ] = False,
    port: Annotated[int, typer.Option(min=0, max=65535, help="0 lets the computer choose.")] = 8020,
    forget_phones: Annotated[
        bool, typer.Option("--forget-phones", help="Take back every phone's key first.")
    ] = False,
) -> None:
    """Open a page for the phone in your hand: send photos, see what is missing, read results."""
    from fitscan.page.keys import Keyring
    from fitscan.page.serve import serve
    from fitscan.page.shop import Shop

    if forget_phones:
        shop = Shop(job.resolve())
        shop.open()
        Keyring(shop.own / "phones.json").remove_all()
    serve(job, lan=lan, port=port, say=lambda text: typer.echo(text, err=True))
