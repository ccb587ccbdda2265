"""meshplan simulate: days of a plan on the air, frame by frame."""

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
    radio_option,
    results_folder,
    set_option,
)
from meshplan.cli.progress import Progress


@click.command("simulate")
@folder_argument
@click.option("--days", type=click.IntRange(1, 3650), default=30, show_default=True, help="Days, spread evenly over a year.")
@click.option("--fast", is_flag=True, help="An alarm night: every sensor that has a fast mode is in it.")
@click.option(
    "--season",
    default="by date",
    show_default=True,
    metavar="NAME",
    help="A season of the plan for all days, or 'worst': each link in its worst one, as the plan counts.",
)
@click.option("--seed", type=click.IntRange(0, 2**31 - 1), default=1, show_default=True, help="Of all that is drawn.")
@out_option
@radio_option
@set_option
@click.option("--calibrated", is_flag=True, help="Use what readings taught (calibration.toml in FOLDER).")
@quiet_option
@json_option
def command(
    folder: Path,
    days: int,
    fast: bool,
    season: str,
    seed: int,
    out: Path | None,
    radio: str | None,
    changes: tuple[str, ...],
    calibrated: bool,
    quiet: bool,
    as_json: bool,
) -> int:
    """Plan the property in FOLDER and simulate days on the air, frame by frame.

    Says how many readings arrive, what is lost and why, how long readings take, how full the air is and how long cells
    last, beside what the plan expects. Writes simulation.json and its tables. It changes nothing of the plan.
    """
    from meshplan.reporting.simulation_files import simulation_document
    from meshplan.reporting.simulation_text import simulation_text
    from meshplan.workflow import simulate_property, write_simulation

    progress = Progress(quiet=quiet or as_json)
    record = simulate_property(
        folder,
        days=days,
        seed=seed,
        fast=fast,
        season=season,
        radio=radio,
        overrides=overrides_from(changes),
        calibrated=calibrated,
        on_progress=progress,
    )
    files = write_simulation(record, results_folder(folder, out))
    progress.close()
    if as_json:
        print_json(simulation_document(record) | {"files": [str(path) for path in files]})
    else:
        click.echo(simulation_text(record))
        click.echo("Written:\n" + "\n".join(f"  {path}" for path in files))
    return EXIT_DONE
