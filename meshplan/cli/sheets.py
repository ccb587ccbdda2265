"""meshplan sheets: paper for the field, from a plan made before."""

from __future__ import annotations

from pathlib import Path

import click

from meshplan.cli import EXIT_DONE
from meshplan.cli.options import json_option, out_option, print_json, results_folder


@click.command("sheets")
@click.argument("folder", type=click.Path(path_type=Path))
@out_option
@click.option("--pdf", is_flag=True, help="Also write sheets.pdf (needs the extra: pip install 'meshplan[pdf]').")
@json_option
def command(folder: Path, out: Path | None, pdf: bool, as_json: bool) -> int:
    """Write a cover page, one page for each site of the plan, and a table for the readings.

    FOLDER is the property; its plan is looked for in outputs/<property>. A plan.json can be named instead. Open sheets.html in a
    browser and print it.
    """
    from meshplan.workflow import find_plan, write_plan_sheets

    plan, place = find_plan(folder, results_folder(folder, out))
    files = write_plan_sheets(plan, place, pdf=pdf)
    if as_json:
        print_json({"files": [str(path) for path in files]})
    else:
        click.echo("Written:\n" + "\n".join(f"  {path}" for path in files))
    return EXIT_DONE
