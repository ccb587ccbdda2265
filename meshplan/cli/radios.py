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
@click.option("--backhauls", "what", flag_value="backhauls", help="List ways out of a gateway and what they cost.")
@click.option("--regions", "what", flag_value="regions", help="List countries and their rules.")
@click.option("--boards", "what", flag_value="boards", help="List kinds of boards.")
@click.option("--cells", "what", flag_value="cells", help="List cells and batteries.")
@click.option("--regulators", "what", flag_value="regulators", help="List kinds of voltage regulators.")
@click.option("--chart", type=click.Path(path_type=Path, dir_okay=False), help="Draw bit rate against range of the classes (SVG).")
@json_option
def command(keys: tuple[str, ...], folder: Path | None, what: str | None, chart: Path | None, as_json: bool) -> int:
    """List the radio classes, or show one CLASS in full with the source of every figure and its bit rate against range."""
    from meshplan.reporting.catalogue_text import catalogue_rows, catalogue_text
    from meshplan.reporting.range_chart import range_table, write_range_svg
    from meshplan.workflow.catalogue import range_curves, read_catalogue

    catalogue = read_catalogue(what or "radios", folder, keys)
    curves = range_curves(catalogue) if what is None and (keys or chart) else ()
    if as_json:
        print_json(catalogue_rows(catalogue))
    else:
        click.echo(catalogue_text(catalogue, in_full=bool(keys)))
        for curve in curves if keys else ():
            click.echo(f"\n{curve.class_key}\n{range_table(curve)}")
    if chart is not None and curves:
        write_range_svg(curves, chart)
    return EXIT_DONE
