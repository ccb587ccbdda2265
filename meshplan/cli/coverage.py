"""meshplan coverage: where would a future sensor work?"""

from __future__ import annotations

from pathlib import Path

import click

from meshplan.cli import EXIT_DONE
from meshplan.cli.options import (
    Number,
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
from meshplan.cli.spread import land_spread_over, spread_options


@click.command("coverage")
@folder_argument
@click.option("--from", "transmitters", multiple=True, metavar="NAME", help="A gateway or relay; by default all of the plan.")
@click.option("--height", type=Number(0.1, 100), default=1.0, show_default=True, help="Antenna of the future sensor, m.")
@click.option("--radio", metavar="CLASS", help="Radio class of the future sensor; by default the first of the plan.")
@click.option("--season", help="One of the plan's seasons; by default the one with most leaves.")
@click.option("--calibrated", is_flag=True, help="Use what readings taught (calibration.toml in FOLDER).")
@click.option("--cores", type=click.IntRange(1), help="Most processor cores to use; all by default.")
@click.option("--memory-mb", type=click.IntRange(1), help="Refuse what needs more memory than this, and offer a coarser cell.")
@out_option
@set_option
@spread_options
@quiet_option
@json_option
def command(
    folder: Path,
    transmitters: tuple[str, ...],
    height: float,
    radio: str | None,
    season: str | None,
    calibrated: bool,
    cores: int | None,
    memory_mb: int | None,
    out: Path | None,
    changes: tuple[str, ...],
    address: str | None,
    workers: int | None,
    quiet: bool,
    as_json: bool,
) -> int:
    """Compute where a sensor would reach the gateways and relays of the plan made before for the property in FOLDER.

    Writes coverage.tif (loss, margin, chance, best transmitter at every cell) and adds the layers to map.html.
    """
    from meshplan.reporting.words import percent
    from meshplan.workflow.coverage import coverage_of, write_coverage
    from meshplan.workflow.sheets import find_plan

    progress = Progress(quiet=quiet or as_json)
    plan, place = find_plan(folder, results_folder(folder, out))
    with land_spread_over(address, workers, place, "" if plan.more_radios else plan.radio.key) as figures_by:
        prepared, best, singles = coverage_of(
            folder,
            plan,
            radio=radio,
            overrides=overrides_from(changes),
            transmitters=transmitters,
            receiver_agl_m=height,
            season=season,
            calibrated=calibrated,
            cores=cores,
            most_bytes=memory_mb * 1_000_000 if memory_mb else None,
            figures_by=figures_by,
            on_progress=progress,
        )
        files = write_coverage(prepared, plan, best, singles, place)
    progress.close()
    share = best.share_served(plan.required_chance)
    if as_json:
        record = {"transmitters": list(best.names), "share_served": share, "season": best.season, "radio": best.radio}
        print_json({**record, "calibrated": calibrated, "notes": list(best.notes), "files": [str(path) for path in files]})
    else:
        click.echo(
            f"A sensor {height:g} m above the ground would reach {', '.join(best.names)} from {percent(share)} of the land "
            f"({best.season}{f', {best.radio}' if plan.more_radios else ''})."
        )
        for note in best.notes:
            click.echo(note)
        if plan.made_with.calibrated and not calibrated:
            click.echo("The plan was made with what readings taught; the coverage is not.")
        click.echo("Written:\n" + "\n".join(f"  {path}" for path in files))
    return EXIT_DONE
