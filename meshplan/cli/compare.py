"""meshplan compare: which radio class does the job here?"""

from __future__ import annotations

from pathlib import Path

import click

from meshplan.cli import EXIT_DONE, EXIT_UNSERVED
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
from meshplan.cli.spread import spread_options, spread_over


@click.command("compare")
@folder_argument
@click.option("--radio", "classes", multiple=True, metavar="CLASS", help="Compare only this class; can be repeated.")
@click.option("--all-settings", is_flag=True, help="Show every rate and spreading factor, not only the best of each class.")
@click.option("--calibrated", is_flag=True, help="Use what readings taught (calibration.toml in FOLDER).")
@out_option
@set_option
@spread_options
@quiet_option
@json_option
def command(
    folder: Path,
    classes: tuple[str, ...],
    all_settings: bool,
    calibrated: bool,
    out: Path | None,
    changes: tuple[str, ...],
    address: str | None,
    workers: int | None,
    quiet: bool,
    as_json: bool,
) -> int:
    """Plan the property in FOLDER once for each radio class and show them side by side.

    Writes the table as comparison.csv and as a chart. Ends with exit code 1 if no class serves every sensor
    within the rules.
    """
    from meshplan.reporting.comparison_files import write_comparison
    from meshplan.reporting.comparison_text import comparison_rows, comparison_text
    from meshplan.workflow import compare_radios

    progress = Progress(quiet=quiet or as_json)
    results = results_folder(folder, out)
    with spread_over(address, workers, results) as paths_by:
        comparison = compare_radios(
            folder,
            classes=classes,
            overrides=overrides_from(changes),
            calibrated=calibrated,
            paths_by=paths_by,
            on_progress=progress,
        )
        files = write_comparison(comparison, results)
    progress.close()
    if as_json:
        print_json(comparison_rows(comparison) | {"files": [str(path) for path in files]})
    else:
        click.echo(comparison_text(comparison, all_settings=all_settings))
        click.echo("\nWritten:\n" + "\n".join(f"  {path}" for path in files))
    complete = any(
        row.lawful and not row.to_answer_for and row.served == row.sensors and not row.starved for row in comparison.rows
    )
    return EXIT_DONE if complete else EXIT_UNSERVED
