"""meshplan review: look after a network that runs."""

from __future__ import annotations

from pathlib import Path

import click

from meshplan.cli import EXIT_DONE, EXIT_UNSERVED
from meshplan.cli.options import json_option, named_from, out_option, print_json, quiet_option, results_folder
from meshplan.cli.progress import Progress


@click.command("review")
@click.argument("folder", type=click.Path(path_type=Path))
@click.argument("logs", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option("--column", "columns", multiple=True, metavar="HEADING=NAME", help="What a heading of the log stands for.")
@click.option("--device", "names", multiple=True, metavar="ID=NAME", help="Which device of the plan an ID of the log is.")
@click.option(
    "--zone", default="", metavar="ZONE", help="Time zone of times without one, such as Europe/Berlin; else universal time."
)
@click.option("--table", default="", metavar="NAME", help="Table of an SQLite file that has several.")
@click.option("--until", default="", metavar="DAY", help="Look up to this day; by default to the last row. For scheduled runs.")
@click.option("--counter-bits", type=click.Choice(["8", "16", "32"]), help="Width of the packet counters; by default as they show.")
@click.option("--map/--no-map", "with_map", default=True, show_default=True, help="Draw a map with what was measured.")
@out_option
@quiet_option
@json_option
def command(
    folder: Path,
    logs: tuple[Path, ...],
    columns: tuple[str, ...],
    names: tuple[str, ...],
    zone: str,
    table: str,
    until: str,
    counter_bits: str | None,
    with_map: bool,
    out: Path | None,
    quiet: bool,
    as_json: bool,
) -> int:
    """Say what needs attention in the network planned for FOLDER, from the LOGS that its gateway or broker kept.

    LOGS are CSV, JSON lines, SQLite or Parquet with a time, a device, and any of received power, signal-to-noise ratio, packet
    counter, cell voltage, hop, temperature, and who heard it. Writes review/review.html, tables, a map, and readings.csv, which
    `meshplan calibrate` takes. Exit code 1 says that something needs attention. No review sees what never arrived: an alarm that
    matters needs a warning on the spot as well.
    """
    from meshplan.reporting.review_files import review_summary, review_text
    from meshplan.workflow import find_plan, review_logs, write_review

    progress = Progress(quiet=quiet or as_json)
    results = results_folder(folder, out)
    plan, beside = find_plan(folder, results)
    home = folder if folder.is_dir() else None
    reviewed = review_logs(
        plan,
        logs,
        folder=home,
        columns=named_from(columns, "--column", "HEADING=NAME, such as RSSI=power_dbm"),
        names=named_from(names, "--device", "ID=NAME, such as 70b3d5a1=Trough"),
        zone=zone,
        table=table,
        until=until,
        counter_bits=int(counter_bits or 0),
        on_progress=progress,
    )
    place = beside if out is None else out
    files, why_no_map = write_review(reviewed, place, folder=home if with_map else None, on_progress=progress)
    progress.close()
    if as_json:
        print_json(review_summary(reviewed.review, files))
    else:
        click.echo(review_text(reviewed.review))
        click.echo("Written:\n" + "\n".join(f"  {path}" for path in files) + (f"\n{why_no_map}" if why_no_map else ""))
    return EXIT_UNSERVED if reviewed.review.findings else EXIT_DONE
