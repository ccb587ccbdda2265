"""meshplan profile: one link in full, with its chart."""

from __future__ import annotations

from pathlib import Path

import click

from meshplan.cli import EXIT_DONE
from meshplan.cli.options import (
    Number,
    json_option,
    out_option,
    overrides_from,
    print_json,
    radio_option,
    results_folder,
    set_option,
)
from meshplan.errors import InputError


@click.command("profile", context_settings={"ignore_unknown_options": True})
@click.argument("places", nargs=-1, required=True, metavar="[FOLDER] A B")
@click.option("--height-a", type=Number(0.01, 100), metavar="M", help="Antenna height at A above the ground.")
@click.option("--height-b", type=Number(0.01, 100), metavar="M", help="Antenna height at B above the ground.")
@click.option("--calibrated", is_flag=True, help="Use what readings taught (calibration.toml in FOLDER).")
@out_option
@radio_option
@set_option
@json_option
def command(
    places: tuple[str, ...],
    height_a: float | None,
    height_b: float | None,
    calibrated: bool,
    out: Path | None,
    radio: str | None,
    changes: tuple[str, ...],
    as_json: bool,
) -> int:
    """Print the link between A and B and write its terrain profile as a picture.

    A and B are names of sites, or places as "latitude,longitude". FOLDER is the property; without it the current folder is.
    """
    from meshplan.records.codec import record_to_values
    from meshplan.reporting.plan_files import link_properties
    from meshplan.reporting.profile_chart import write_profile_svg
    from meshplan.reporting.profile_text import profile_text
    from meshplan.workflow import profile_between

    if len(places) not in (2, 3):
        raise InputError(f"{len(places)} places were given", where="meshplan profile", fix="Give two: meshplan profile FOLDER A B.")
    folder = Path(places[0]) if len(places) == 3 else Path()
    link, _, assumptions = profile_between(
        folder,
        *places[-2:],
        antenna_a_agl_m=height_a,
        antenna_b_agl_m=height_b,
        radio=radio,
        overrides=overrides_from(changes),
        calibrated=calibrated,
    )
    picture = write_profile_svg(link, None, results_folder(folder, out) / f"profile_{_file_name(link.a)}_{_file_name(link.b)}.svg")
    if as_json:
        whole = record_to_values(link)
        budget = {key: whole[key] for key in ("gains_a_to_b", "gains_b_to_a", "sensitivity_a_dbm", "sensitivity_b_dbm", "seasons")}
        print_json(link_properties(link) | budget | {"assumptions": list(assumptions), "picture": str(picture)})
    else:
        click.echo(profile_text(link))
        click.echo("Assumed:\n" + "\n".join(f"  {line}" for line in assumptions))
        click.echo(f"Picture: {picture}")
    return EXIT_DONE


def _file_name(text: str) -> str:
    return "".join(letter if letter.isalnum() else "-" for letter in text).strip("-").lower() or "place"
