"""meshplan plan: gateways, relays and routes for a property, with map and tables."""

from __future__ import annotations

from pathlib import Path

import click

from meshplan.cli import EXIT_DONE, EXIT_UNSERVED
from meshplan.cli.options import (
    Number,
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
from meshplan.cli.spread import spread_options, spread_over


@click.command("plan")
@folder_argument
@out_option
@radio_option
@set_option
@click.option("--calibrated", is_flag=True, help="Use what readings taught (calibration.toml in FOLDER).")
@click.option("--seconds", type=Number(min=0.1), help="Most time to look for a cheaper plan; recorded in the plan.")
@click.option("--headers", is_flag=True, help="Also write a C header for each device, for the program that runs on it.")
@spread_options
@quiet_option
@json_option
def command(
    folder: Path,
    out: Path | None,
    radio: str | None,
    changes: tuple[str, ...],
    calibrated: bool,
    seconds: float | None,
    headers: bool,
    address: str | None,
    workers: int | None,
    quiet: bool,
    as_json: bool,
) -> int:
    """Plan the property in FOLDER: the cheapest gateways and relays that serve every sensor.

    Writes plan.json, plan.geojson, links.csv, further tables, map.html and exports/devices.json, which says what
    each device is programmed with. Ends with exit code 1 if some sensor
    stays unserved or without the second route it asked for. So it does if a device would break the radio rules,
    or if they ask for something that nobody answers for (radio_settings.accepts). So it does, too, if a device
    cannot act on command within the wait that the sites state. The same holds if a channel is so full that fewer
    readings arrive than was asked of their route.
    """
    from meshplan.reporting.plan_text import plan_summary, plan_text
    from meshplan.workflow import plan_property, solve_limits, write_plan

    progress = Progress(quiet=quiet or as_json)
    results = results_folder(folder, out)
    with spread_over(address, workers, results) as paths_by:
        planned = plan_property(
            folder,
            radio=radio,
            overrides=overrides_from(changes),
            limits=solve_limits(seconds),
            calibrated=calibrated,
            paths_by=paths_by,
            on_progress=progress,
        )
        files = write_plan(planned, results, headers=headers, on_progress=progress)
    progress.close()
    if as_json:
        print_json(plan_summary(planned.plan, files))
    else:
        click.echo(plan_text(planned.plan, files, folder))
    plan = planned.plan
    done = plan.complete and plan.lawful and not plan.to_answer_for and plan.commands_met and not plan.starved
    return EXIT_DONE if done else EXIT_UNSERVED
