"""The command line: words in, one workflow call, an exit code out.

Heavy packages are imported inside the commands; click and the group inside `main`, so that a stop during imports is looked after.
"""

from __future__ import annotations

import gc
import sys

from meshplan.cli.stops import Stopped, stops_noticed
from meshplan.cli.streams import steady_streams

COMMANDS = (
    "land",
    "open",
    "check",
    "plan",
    "compare",
    "profile",
    "coverage",
    "sheets",
    "simulate",
    "calibrate",
    "review",
    "radios",
)

NEW_OBJECTS_BEFORE_A_SEARCH = 100_000
"""Python looks for cycles after this many new objects, not after 700: reading a hundred thousand shapes makes millions that stay,
and looking at them again and again took a fifth of the time. Common practice, no source."""

EXIT_DONE = 0
EXIT_UNSERVED = 1
EXIT_INPUT_WRONG = 2
EXIT_UNFORESEEN = 3
EXIT_CLUSTER_LOST = 4
"""The cluster went away; the same command goes on from what is kept."""


def main(arguments: list[str] | None = None) -> int:
    """Run the command line and return its exit code; from the shell (no `arguments`) end the process with it.

    A fault of the input becomes one message and code 2; a stop 128 + the number of its signal; what nobody foresaw one sentence,
    a file with the details, and code 3.
    """
    words = sys.argv[1:] if arguments is None else arguments
    with steady_streams(closing=arguments is None) as streams:
        code = _run(words)
    if streams.output_lost and code in (EXIT_DONE, EXIT_UNSERVED):
        code = EXIT_INPUT_WRONG
    if arguments is None:
        sys.exit(code)
    return code


def _run(words: list[str]) -> int:
    """Return the exit code of one command; whatever goes wrong is told on the error stream."""
    with stops_noticed() as stops:
        try:
            from meshplan.cli.root import root
            from meshplan.inputs.gdal_drivers import close_doors

            close_doors()
            gc.set_threshold(NEW_OBJECTS_BEFORE_A_SEARCH, 20, 20)

            result = root.main(args=words, prog_name="meshplan", standalone_mode=False)
        except BaseException as error:
            stop = error if isinstance(error, Stopped) else stops.seen
            if stop is None and isinstance(error, KeyboardInterrupt):
                stop = Stopped()
            if stop is not None:
                print(f"{stop} Nothing half-written was left behind.", file=sys.stderr)
                return 128 + stop.number
            from meshplan.cli.faults import report_fault

            return report_fault(error, words)
        from meshplan.cli.ahead import start_if_needed

        start_if_needed(words)
        return result if isinstance(result, int) else EXIT_DONE
