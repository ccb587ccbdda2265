"""meshplan radios: what can be chosen, with the standing of every figure."""

from __future__ import annotations

from pathlib import Path

import click

from meshplan.cli import EXIT_DONE
from meshplan.cli.options import json_option, print_json


@click.command("radios")
@click.argument("keys", nargs=-1, metavar="[CLASS]…")
@click.option("--property", "folder", type=click.Path(path_type=Path, file_okay=False), help="Property folder with own classes.")
@click.option("--antennas", "what", flag_value="antennas", help="List antenna classes.")
@click.option("--cables", "what", flag_value="cables", help="List cable classes.")
@click.option("--regions", "what", flag_value="regions", help="List countries and their rules.")
@click.option("--boards", "what", flag_value="boards", help="List kinds of boards.")
@click.option("--cells", "what", flag_value="cells", help="List cells and batteries.")
@json_option
def command(keys: tuple[str, ...], folder: Path | None, what: str | None, as_json: bool) -> int:
    """List the radio classes, or show one CLASS in full with the source of every figure."""
    from meshplan.reporting.catalogue_text import catalogue_rows, catalogue_text
    from meshplan.workflow import read_catalogue

    catalogue = read_catalogue(what or "radios", folder, keys)
    if as_json:
        print_json(catalogue_rows(catalogue))
    else:
        click.echo(catalogue_text(catalogue, in_full=bool(keys)))
    return EXIT_DONE
