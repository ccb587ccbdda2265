"""meshplan sheets: paper for the field, from a plan made before."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from meshplan.cli import EXIT_DONE
from meshplan.cli.options import json_option, out_option, print_json, quiet_option, results_folder
from meshplan.cli.progress import Progress
from meshplan.errors import InputError

if TYPE_CHECKING:
    from meshplan.records import Plan

OTHER_WALK = (
    "The places to measure next in next_places.json were chosen for another plan and are left out. Plan with what was learned "
    "(`meshplan plan {folder} --calibrated`), or choose places anew with --next 5.\n"
)


@click.command("sheets")
@click.argument("folder", type=click.Path(path_type=Path))
@out_option
@click.option("--pdf", is_flag=True, help="Also write sheets.pdf (needs the extra: pip install 'meshplan[pdf]').")
@click.option(
    "--next",
    "next_places",
    type=click.IntRange(0, 50),
    default=None,
    help="Choose this many places to measure next and print them; 0 prints none. By default those chosen before are printed.",
)
@click.option(
    "--pilot",
    type=click.IntRange(1, 12),
    default=None,
    is_flag=False,
    flag_value=4,
    metavar="[LINKS]",
    help="In place of the sheets: the few links to try before anything is bought, what to expect, and when to stop.",
)
@click.option("--radio", "classes", multiple=True, metavar="CLASS", help="With --pilot: a further radio class in question.")
@quiet_option
@json_option
def command(
    folder: Path,
    out: Path | None,
    pdf: bool,
    next_places: int | None,
    pilot: int | None,
    classes: tuple[str, ...],
    quiet: bool,
    as_json: bool,
) -> int:
    """Write a cover page, one page for each site of the plan, and a table for the readings.

    FOLDER is the property; its plan is looked for in outputs/<property>. A plan.json can be named instead, and --out then says
    where the sheets go. Open sheets.html in a browser and print it. With --next, or after `meshplan calibrate`, it says where to
    measure next, before or after any reading.
    """
    from meshplan.workflow import find_plan, stored_walk, walk_fits, write_plan_sheets

    progress = Progress(quiet=quiet or as_json)
    plan, beside = find_plan(folder, results_folder(folder, out))
    place = beside if out is None else out
    if pilot is not None:
        return _pilot(folder, plan, place, pilot, classes, progress, as_json=as_json)
    if classes:
        raise InputError("belongs to --pilot", where="--radio", fix="Add --pilot, or leave it out.")
    lines, survey = "", stored_walk(beside) if next_places is None else None
    if next_places:
        from meshplan.reporting.calibration_text import walk_text
        from meshplan.workflow import propose_next_places

        walk, survey = propose_next_places(folder, plan, next_places, on_progress=progress)
        lines = walk_text(walk)
    elif survey is not None and not walk_fits(survey, plan):
        survey, lines = None, OTHER_WALK.format(folder=folder)
    warnings: list[str] = []
    files = write_plan_sheets(plan, place, pdf=pdf, walk=survey, new_walk=bool(next_places), on_warning=warnings.append)
    progress.close()
    if as_json:
        stops = [stop.name for stop in survey.stops] if survey else []
        print_json({"files": [str(path) for path in files], "next_places": stops, "warnings": warnings})
    else:
        lines += "".join(f"{words}\n" for words in warnings)
        click.echo(f"{lines}Written:\n" + "\n".join(f"  {path}" for path in files))
    return EXIT_DONE


def _pilot(folder: Path, plan: Plan, place: Path, most: int, classes: tuple[str, ...], progress: Progress, *, as_json: bool) -> int:
    from dataclasses import asdict

    from meshplan.reporting.pilot_page import pilot_text, write_pilot
    from meshplan.workflow import choose_pilot

    pilot = choose_pilot(folder, plan, most, classes=classes, on_progress=progress)
    files = write_pilot(pilot, place)
    progress.close()
    if as_json:
        print_json(asdict(pilot) | {"files": [str(path) for path in files]})
    else:
        click.echo(pilot_text(pilot))
        click.echo("Written:\n" + "\n".join(f"  {path}" for path in files))
    return EXIT_DONE
