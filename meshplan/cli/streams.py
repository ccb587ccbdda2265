"""Output and error streams that may be closed or full at any moment, without a lie in the exit code."""

from __future__ import annotations

import errno
import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any


@dataclass
class Streams:
    """What became of the streams."""

    output_lost: str = ""
    """Why the results could not be printed; empty where they were, or where their reader had enough of them."""


class _Steady:
    """A stream whose faults are kept instead of raised; everything after the first is dropped."""

    def __init__(self, stream: Any) -> None:
        self._stream = stream
        self.fault: OSError | ValueError | None = None

    def __getattr__(self, name: str) -> Any:
        if name == "buffer":  # click takes it where the encoding of the stream is of no use
            return _Steady(self._stream.buffer)
        return getattr(self._stream, name)

    def write(self, text: Any) -> int:
        """Write as the stream does; a character that its encoding lacks becomes a question mark."""
        if self.fault is None:
            try:
                return int(self._stream.write(text) or 0)
            except UnicodeEncodeError:
                known = self._stream.encoding or "ascii"
                return self.write(text.encode(known, "replace").decode(known))
            except (OSError, ValueError) as fault:
                self.fault = fault
        return len(text)

    def flush(self) -> None:
        """Flush as the stream does."""
        if self.fault is None:
            try:
                self._stream.flush()
            except (OSError, ValueError) as fault:
                self.fault = fault

    def silence(self) -> None:
        """Point a broken stream at nothing, so that the interpreter's own flush at the end finds no fault either."""
        try:
            nowhere = os.open(os.devnull, os.O_WRONLY)
            os.dup2(nowhere, self._stream.fileno())
            os.close(nowhere)
            self._stream.flush()
        except (OSError, ValueError, AttributeError):
            pass


@contextmanager
def steady_streams(*, closing: bool) -> Iterator[Streams]:
    """Guard both streams while the block runs. A full device under the output is told; a reader that left is not.

    `closing` says that the process ends afterwards, so that a broken stream can be pointed at nothing.
    """
    result = Streams()
    before = sys.stdout, sys.stderr
    out, err = (None if stream is None else _Steady(stream) for stream in before)
    sys.stdout, sys.stderr = out, err
    try:
        yield result
        if out is not None:
            out.flush()
            if isinstance(out.fault, OSError) and out.fault.errno != errno.EPIPE:
                result.output_lost = out.fault.strerror or str(out.fault)
                if err is not None:
                    err.write(
                        f"output: the results could not be printed ({result.output_lost}); what was written to files is whole\n"
                        "  Print to a place with room, or leave the redirection away.\n"
                    )
        if err is not None:
            err.flush()
    finally:
        sys.stdout, sys.stderr = before
        for stream in (out, err):
            if closing and stream is not None and stream.fault is not None:
                stream.silence()
