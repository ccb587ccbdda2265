"""The group of all commands. It is imported by `cli.main` once signals are looked after."""

from __future__ import annotations

from importlib import import_module

import click

from meshplan.cli import COMMANDS


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
