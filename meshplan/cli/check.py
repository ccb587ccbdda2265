"""meshplan check: is the property folder fit to plan, and what would be assumed?"""

from __future__ import annotations

from pathlib import Path

import click

from meshplan.cli import EXIT_DONE, EXIT_INPUT_WRONG
from meshplan.cli.options import (
    folder_argument,
    json_option,
    out_option,
    overrides_from,
    print_json,
    radio_option,
    results_folder,
    set_option,
)


@click.command("check")
@folder_argument
@radio_option
@set_option
@click.option(
    "--keys",
    is_flag=True,
    is_eager=True,
    expose_value=False,
    callback=lambda ctx, _, on: _manual(ctx, on),
    help="Print every key of property.toml and every column of the site and cover files, then stop.",
)
@click.option("--plan", "verify", is_flag=True, help="Verify the plan made before: everything it says is worked out anew.")
@click.option("--again", is_flag=True, help="With --plan: plan again too, and compare what only the solver tells.")
@out_option
@json_option
def command(
    folder: Path, radio: str | None, changes: tuple[str, ...], verify: bool, again: bool, out: Path | None, as_json: bool
) -> int:
    """Read the property in FOLDER and say what is wrong with it, or what will be assumed.

    Nothing is written. With --plan the plan in outputs/<property> is verified with the settings that it was made with: the files
    compared by their hashes, every link computed anew, every route walked, the cost added up, the proof of the bound checked in
    whole numbers, and every other field compared. Where no proof is stored for a claim, the search is made again.
    """
    if verify:
        from meshplan.workflow import check_plan, find_plan

        plan, _ = find_plan(folder, results_folder(folder, out))
        report = check_plan(folder, plan, radio=radio, overrides=overrides_from(changes), again=again)
    else:
        from meshplan.workflow import check_property

        report = check_property(folder, radio=radio, overrides=overrides_from(changes))
    if as_json:
        print_json(report.as_dict())
    else:
        click.echo(report.text())
    return EXIT_DONE if report.good else EXIT_INPUT_WRONG


def _manual(ctx: click.Context, wanted: bool) -> None:
    if not wanted or ctx.resilient_parsing:
        return
    from meshplan.inputs import describe_cover_columns, describe_settings, describe_site_columns

    click.echo("\n\n".join((describe_settings(), describe_site_columns(), describe_cover_columns())))
    ctx.exit(EXIT_DONE)
