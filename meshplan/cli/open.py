"""meshplan open: the property on a page of this machine."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import click

from meshplan.cli import EXIT_DONE, main
from meshplan.cli.options import Number, folder_argument
from meshplan.cli.progress import Listener, let_listen


def run_command(words: Sequence[str], tell: Listener) -> int:
    """Run one command for the page and tell how far it is."""
    let_listen(tell)
    return main(list(words))


@click.command("open")
@folder_argument
@click.option("--no-browser", is_flag=True, help="Print the address and open no browser.")
@click.option("--out", type=click.Path(path_type=Path, file_okay=False), help="Folder for results, as of the other commands.")
@click.option("--idle", type=Number(0.01, 100_000), metavar="MINUTES", help="End after so many minutes without a page.")
def command(folder: Path, no_browser: bool, out: Path | None, idle: float | None) -> int:
    """Show FOLDER on a page of this machine, where it can be drawn and the plan follows.

    FOLDER may be new or empty: then the page asks for a name, a country and a place, and nothing is written before. Only this
    machine can reach the page, and only with the address that is printed; it is good for one use. What is changed is written into
    the files of FOLDER at once. Ctrl-C ends it.
    """
    import webbrowser

    from meshplan.errors import MeshplanError
    from meshplan.inputs.settings_file import SETTINGS_FILE, read_settings
    from meshplan.page.listen import serve_folder

    if not (folder / SETTINGS_FILE).is_file():
        click.echo(f"There is no {SETTINGS_FILE} in {folder} yet; the page asks for what it needs, and nothing is written before.")
    else:
        try:
            read_settings(folder)
        except MeshplanError:
            click.echo(f"{SETTINGS_FILE} has faults; the page shows them.")

    def ready(address: str) -> None:
        click.echo(f"The desk is open: {address}")
        click.echo("The address is good for one use. Ctrl-C closes the desk.")
        if not no_browser:
            webbrowser.open(address)

    idle_s = None if idle is None else 60.0 * idle
    click.echo(serve_folder(folder, on_ready=ready, idle_s=idle_s, command=run_command, results=out))
    return EXIT_DONE
