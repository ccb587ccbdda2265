"""meshplan land: the land of a property from open data, the only command that uses the network."""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import click

from meshplan.cli import EXIT_DONE, EXIT_INPUT_WRONG, EXIT_UNSERVED
from meshplan.cli.options import Number, json_option, print_json, quiet_option
from meshplan.cli.progress import Progress


def _source_option(name: str, usual: str, what: str) -> Callable[[Any], Any]:
    return click.option(
        name,
        name[2:].replace("-", "_"),
        multiple=True,
        metavar="SOURCE",
        help=f"Source of {what}, by default {usual}; none for none. Can be repeated.",
    )


@click.command("land")
@click.argument("folder", type=click.Path(path_type=Path, file_okay=False))
@_source_option("--elevation", "copernicus-30m", "the heights")
@_source_option("--features", "osm-overpass", "woods, hedges, buildings and lines")
@_source_option("--land-cover", "worldcover-2021", "classes of land cover")
@click.option("--sources", "show_sources", is_flag=True, help="Show all sources with licence and credit, then stop.")
@click.option("--dry-run", is_flag=True, help="Say what would be asked of whom, how much and under which licence, then stop.")
@click.option("--yes", "-y", is_flag=True, help="Begin without waiting for a yes; for scripts.")
@click.option(
    "--most-mb", type=Number(0.001, 10_000), default=200.0, show_default=True, help="Most megabytes that may come in all."
)
@click.option(
    "--private-host",
    "private_hosts",
    multiple=True,
    metavar="HOST:PORT",
    help="A host of your own network that may be asked, such as a mirror at 192.168.1.20:8000. Can be repeated.",
)
@quiet_option
@json_option
def command(
    folder: Path,
    elevation: tuple[str, ...],
    features: tuple[str, ...],
    land_cover: tuple[str, ...],
    show_sources: bool,
    dry_run: bool,
    yes: bool,
    most_mb: float,
    private_hosts: tuple[str, ...],
    quiet: bool,
    as_json: bool,
) -> int:
    """Fetch the land around the sites in FOLDER from open data. No other command uses the network.

    It first says what it will ask of whom, how much and under which licence. Then heights, map features and land cover go into
    FOLDER/land, with a record of where each came from. What is there already is not asked for again. Lines for property.toml are
    printed; the file itself is left alone. Without a network it prints the addresses, to be opened on another machine.
    """
    if show_sources:
        return _show_sources(folder, as_json)
    from meshplan.records.land import Gives
    from meshplan.reporting.land_text import announcement, outcome_as_dict, outcome_text, plan_as_dict
    from meshplan.workflow.land import LandJob, nothing_came, refuse_unasked

    names = {Gives.ELEVATION: elevation, Gives.FEATURES: features, Gives.LAND_COVER: land_cover}
    job = LandJob(folder, names, private_hosts=private_hosts, most_mb=most_mb)
    if as_json and dry_run:
        print_json(plan_as_dict(job.plan))
        return EXIT_DONE
    click.echo(announcement(job.plan), err=as_json)
    if dry_run:
        return EXIT_DONE
    if job.plan.wishes and not yes:
        if as_json or sys.stdin is None or not sys.stdin.isatty():
            raise refuse_unasked()
        if not click.confirm("Ask for these now?", err=True):
            click.echo("Nothing was asked for.")
            return EXIT_DONE
    progress = Progress(quiet=quiet or as_json)
    outcome = job.run(on_progress=progress, on_wait=lambda s, why: progress(f"Waiting {s:.0f} s, {why}"))
    progress.close()
    failed = nothing_came(outcome)
    if as_json:
        print_json(outcome_as_dict(outcome))
    if failed or not as_json:
        click.echo(outcome_text(outcome, str(folder)), err=failed)
    if failed:
        return EXIT_INPUT_WRONG
    return EXIT_UNSERVED if outcome.not_come else EXIT_DONE


def _show_sources(folder: Path, as_json: bool) -> int:
    from meshplan.inputs.land_sources import read_land_sources
    from meshplan.records.codec import record_to_values
    from meshplan.reporting.land_text import sources_text

    sources = read_land_sources(folder)
    if as_json:
        print_json({name: record_to_values(source) for name, source in sources.items()})
    else:
        click.echo(sources_text(sources))
    return EXIT_DONE
