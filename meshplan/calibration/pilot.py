"""Which links to try before anything is bought: the hardest, and those whose failure would change the choice."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from scipy.special import ndtri

from meshplan.calibration.correct import SEASON_RESERVE_DB
from meshplan.calibration.next_places import READING_ERROR_DB, choose_next_places
from meshplan.records.measurement import Calibration, PlaceToStand, PredictedLink, Stake

SURE_HIGH: Final = 0.9999
"""Above this chance (or below one less it) a link is not worth a trial for itself."""


@dataclass(frozen=True)
class PilotCandidate:
    """A link that could be tried."""

    link: PredictedLink
    fade_margin_db: float
    chance: float
    carries: tuple[str, ...]
    weight: float
    """Importance of those whom it carries."""
    in_plan: bool
    gateway: str = ""
    """Gateway in place of that of the plan to which it leads; empty for links of the plan."""


def choose_pilot_links(
    candidates: Sequence[PilotCandidate], required_chance: float, calibration: Calibration | None, count: int
) -> tuple[tuple[tuple[PilotCandidate, str], ...], float]:
    """Return up to `count` links with why each is tried, and the share of open decisions that they settle.

    The hardest link of the plan comes first. The others are those whose reading is expected to save most wrong decisions, by the
    importance of those who hang on them: `next_places`, with each link as a place of its own.
    """
    planned = [each for each in candidates if each.in_plan]
    if not planned:
        return (), 0.0
    hardest = min(planned, key=lambda each: (each.chance, each.link.key))
    stakes = [Stake(each.link, required_chance, each.fade_margin_db, each.weight) for each in candidates]
    open_ones = [each for each in candidates if 1.0 - SURE_HIGH < each.chance < SURE_HIGH]
    places = [PlaceToStand(each.link.key, each.link.a_x_m, each.link.a_y_m, (each.link,)) for each in open_ones]
    walk = choose_next_places(places, stakes, calibration, count)
    by_key = {each.link.key: each for each in candidates}
    stops = sorted(walk.stops, key=lambda stop: (-stop.value, stop.place.name))
    chosen = {hardest.link.key: _why_hardest(hardest)}
    for stop in stops:
        if len(chosen) < count and stop.place.name not in chosen:
            chosen[stop.place.name] = _why(by_key[stop.place.name], stop.value, walk.value_of_knowing_all)
    settled = sum(stop.value for stop in stops if stop.place.name in chosen)
    share = settled / walk.value_of_knowing_all if walk.value_of_knowing_all > 0.0 else 0.0
    return tuple((by_key[key], why) for key, why in chosen.items()), share


def decision_levels(needed_dbm: float, season_less_db: float, required_chance: float) -> tuple[float, float]:
    """Return from which median on a link is proven, and below which one it is lost.

    Parameters
    ----------
    needed_dbm : float
        Sensitivity and fade margin.
    season_less_db : float
        How much less the worst season gives than the one in which it is tried; 0 or more.

    Notes
    -----
    Source
        Derived: the median of a trial is wrong by `READING_ERROR_DB`, the rest of the year by `SEASON_RESERVE_DB`; both together
        must leave the chance that is required, on the one side and the other
    """
    band = max(float(ndtri(required_chance)), 0.5) * math.hypot(READING_ERROR_DB, SEASON_RESERVE_DB)
    return needed_dbm + season_less_db + band, needed_dbm + season_less_db - band


def _why_hardest(each: PilotCandidate) -> str:
    return f"The hardest link of the plan ({_percent(each.chance)}): where it works the others should. {_hangs(each)}"


def _why(each: PilotCandidate, value: float, total: float) -> str:
    share = f"settles {100 * value / total:.0f} % of what is open" if total > 0.0 else "settles most"
    if each.gateway:
        return f"Were it good, the gateway could stand at {each.gateway}: {share}."
    return f"Its failure would change the plan: {share}. {_hangs(each)}"


def _hangs(each: PilotCandidate) -> str:
    count = len(each.carries)
    if not count:
        return "Nobody hangs on it alone."
    some = ", ".join(each.carries[:3]) + (f" and {count - 3} more" if count > 3 else "")
    return f"On it hang{'s' if count == 1 else ''} {some}."


def _percent(chance: float) -> str:
    return "over 99 %" if chance > 0.99 else f"{100 * chance:.0f} %"
