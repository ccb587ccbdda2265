"""meshplan calibrate: learn from what was measured outside."""

from __future__ import annotations

from pathlib import Path

import click

from meshplan.cli import EXIT_DONE
from meshplan.cli.options import (
    folder_argument,
    json_option,
    out_option,
    overrides_from,
    print_json,
    quiet_option,
    results_folder,
    set_option,
)
from meshplan.cli.progress import Progress
from meshplan.errors import InputError


@click.command("calibrate")
@folder_argument
@click.argument("readings", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option("--track", type=click.Path(path_type=Path), help="GPX track of the walk: gives positions to rows without one.")
@click.option("--to", "heard_by", metavar="NAME", help="The site that heard the rows that name no receiver, as in a phone's log.")
@click.option("--column", "columns", multiple=True, metavar="HEADING=NAME", help="What a heading of the table stands for.")
@click.option("--date", default="", help="Date kept with the calibration; by default that of the last reading.")
@click.option("--next", "next_places", type=click.IntRange(0, 50), default=5, show_default=True, help="Places to propose next.")
@out_option
@set_option
@quiet_option
@json_option
def command(
    folder: Path,
    readings: tuple[Path, ...],
    track: Path | None,
    heard_by: str | None,
    columns: tuple[str, ...],
    date: str,
    next_places: int,
    out: Path | None,
    changes: tuple[str, ...],
    quiet: bool,
    as_json: bool,
) -> int:
    """Learn from the READINGS taken on the property in FOLDER and plan again.

    READINGS are tables with two ends, a power or a signal-to-noise ratio, packets sent and received: the readings.csv that
    `meshplan sheets` wrote, filled in, or any other. Writes calibration.toml into FOLDER; charts, a map with the measured places
    and where to measure next (for the phone, and for the next `meshplan sheets`) into the results. Nothing uses the calibration
    unless asked: `meshplan plan FOLDER --calibrated`.
    """
    from meshplan.reporting.calibration_summary import calibration_summary
    from meshplan.reporting.calibration_text import calibration_text, changes_text, walk_text
    from meshplan.workflow import calibrate_property, write_calibrated

    progress = Progress(quiet=quiet or as_json)
    result = calibrate_property(
        folder,
        readings,
        track=track,
        heard_by=heard_by,
        columns=_named(columns),
        date=date,
        next_places=next_places,
        overrides=overrides_from(changes),
        on_progress=progress,
    )
    files = write_calibrated(result, folder, results_folder(folder, out))
    progress.close()
    if as_json:
        print_json(calibration_summary(result.calibration, result.changes, result.walk, files))
    else:
        click.echo(calibration_text(result.calibration))
        click.echo(changes_text(result.changes))
        if result.walk is not None:
            click.echo(walk_text(result.walk))
        click.echo("Written:\n" + "\n".join(f"  {path}" for path in files))
        click.echo(f"Plan with it: meshplan plan {folder} --calibrated")
    return EXIT_DONE


def _named(columns: tuple[str, ...]) -> dict[str, str]:
    named = {}
    for column in columns:
        heading, sign, name = column.rpartition("=")
        if not sign:
            raise InputError(f"'{column}' names no column", where="--column", fix="Write HEADING=NAME, such as RSSI=power_dbm.")
        named[heading] = name
    return named
