"""Names of wall types that a user may write, of the packaged table."""

from __future__ import annotations

from typing import Final

from meshplan.kinds import WALL_KINDS

WALLS: Final = tuple(WALL_KINDS)

WALL_WORDS: Final = {word: name for name, wall in WALL_KINDS.items() for word in wall.also_called}
"""Plain words with the wall they are taken for; every use is reported as an assumption."""


def wall_note(where: str, word: object, taken: str | None) -> list[str]:
    """Return the assumption behind a plain word for a wall; none where the exact name was written."""
    written = "_".join(str(word).casefold().replace("-", " ").split())
    return [f"{where}: wall '{word}' is taken as {taken}."] if taken and written != taken else []
