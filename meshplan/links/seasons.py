"""From the season words of the property to the seasons the formulas know."""

from __future__ import annotations

from collections.abc import Sequence

from meshplan.errors import InputError, MeshplanError, nearest_name, raise_faults
from meshplan.propagation.seasons import Hemisphere, Season, months_of_year, usual_seasons

PROPERTY_KEY = "property.toml, key 'seasons'"

MONTH_NAMES = (
    "january",
    "february",
    "march",
    "april",
    "may",
    "june",
    "july",
    "august",
    "september",
    "october",
    "november",
    "december",
)


def hemisphere_of(lat_deg: float) -> Hemisphere:
    """Return which half of the Earth's year holds at a latitude."""
    return "north" if lat_deg >= 0.0 else "south"


def season_word(word: str) -> str:
    """Return the one word for a season however it is written: "Tall crop" is tall_crop, "Jun" as plans show it is june."""
    name = word.strip().casefold().replace(" ", "_")
    return next((month for month in MONTH_NAMES if len(name) == 3 and month.startswith(name)), name)


def seasons_named(words: Sequence[str], hemisphere: Hemisphere, *, where: str = PROPERTY_KEY) -> tuple[Season, ...]:
    """Return the seasons behind words such as "bare", "leaf", "wet", "snow", "tall_crop" or "august", in the order given.

    Parameters
    ----------
    words : sequence of str
        As people write them; each season comes once, however it is written.
    hemisphere : "north" or "south"
    where : str
        Where the words stand, for messages.

    Raises
    ------
    InputError
        For words that are not known, all at once.
    """
    known = {season.name: season for season in usual_seasons(hemisphere)}
    known.update(zip(MONTH_NAMES, months_of_year(hemisphere), strict=True))
    faults: list[MeshplanError] = []
    chosen: dict[str, Season] = {}
    for word in words:
        name = season_word(word)
        if name in known:
            chosen[name] = known[name]
            continue
        fix = "Write any of: bare, leaf, tall_crop, wet, snow, or the name of a month."
        faults.append(InputError(f"season '{word}' is not known.{nearest_name(name, known)}", where=where, fix=fix))
    raise_faults(faults)
    return tuple(chosen.values()) or (known["bare"], known["leaf"])
