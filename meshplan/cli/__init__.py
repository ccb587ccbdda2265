"""The command line: words in, one workflow call, an exit code out. Heavy packages are imported inside the commands."""

from __future__ import annotations

import sys
from importlib import import_module
from typing import Any

import click

from meshplan.errors import MeshplanError

COMMANDS = ("check", "plan", "compare", "profile", "coverage", "sheets", "calibrate", "radios")

EXIT_DONE = 0
EXIT_UNSERVED = 1
EXIT_INPUT_WRONG = 2


class _LateGroup(click.Group):
    """A group that imports a command when it is asked for."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Return the commands in the order in which the job needs them."""
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """Import one command."""
        if cmd_name not in COMMANDS:
            return None
        command = import_module(f"meshplan.cli.{cmd_name}").command
        return command if isinstance(command, click.Command) else None


@click.group(cls=_LateGroup, context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 110})
@click.version_option(package_name="meshplan", message="meshplan %(version)s")
def root() -> None:
    """Plan a radio network for the sensors of a house, a garden or a farm.

    Describe the property in a folder (sites, elevation, woods and buildings), then: `check` the folder, `plan` the network, look at
    the map, print the `sheets`, measure outside, `calibrate`, and plan again.
    """


def main(arguments: list[str] | None = None) -> Any:
    """Run the command line; a fault of the input becomes one message and exit code 2."""
    try:
        result = root.main(args=arguments, prog_name="meshplan", standalone_mode=False)
    except MeshplanError as error:
        click.echo(str(error), err=True)
        code = EXIT_INPUT_WRONG
    except click.ClickException as error:
        error.show()
        code = EXIT_INPUT_WRONG
    except (click.Abort, KeyboardInterrupt):
        click.echo("Stopped. Nothing half-written was left behind.", err=True)
        code = 130
    else:
        code = result if isinstance(result, int) else EXIT_DONE
    if arguments is None:
        sys.exit(code)
    return code
