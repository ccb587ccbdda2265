"""A row of the link table as a record that people and pages can read: budget, clearance, verdict, causes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from meshplan.explain.obstacles import describe_clearance, hole_words
from meshplan.explain.remedies import gains_of_raising
from meshplan.explain.verdict import verdict_for
from meshplan.links.link_table import LinkTable, compute_links
from meshplan.loss.antenna_gain import mismatch_loss_db
from meshplan.loss.path_loss import BUILDING_PATHS, COVER_PATHS, PathSettings
from meshplan.propagation.refraction import SUB_REFRACTIVE_K, effective_earth_radius_km
from meshplan.propagation.seasons import Hemisphere, months_of_year, season_words
from meshplan.propagation.variability import reliability_margin_db
from meshplan.records import VERDICT_WORDS, BudgetItem, Clearance, Link, ProfileRecord, SeasonResult, Spread
from meshplan.records.station import Station
from meshplan.terrain.geodesy import distance_and_bearing
from meshplan.terrain.landscape import Landscape
from meshplan.terrain.profile import Profiles, sample_profiles
from meshplan.units import decibel_words

MOST_CAUSES = 4
CAUSE_FROM_DB = 1.0
SEASONS_DIFFER_DB = 0.5

SUB_REFRACTION_FROM_M = 3000.0
"""Links at least this long are looked at a second time with a ray that bends up (own choice: the bulge grows by 0.2 m at 3 km)."""


INSIDE_ONE_BUILDING = Clearance(
    "clear", 1.0, 0.0, 0.0, "", "Both stand inside the same building; rooms and walls count, not the land."
)


@dataclass(frozen=True)
class Context:
    """What the words about links need beside the table."""

    landscape: Landscape
    settings: PathSettings
    required_chance: float
    hemisphere: Hemisphere
    cover_kinds: tuple[str, ...]
    """Kinds as the plan numbers them; entry 0 is open ground."""


def link_key(a: Station, b: Station) -> str:
    """Return the name of a link, the same in plan, sheets and readings."""
    return f"{a.key} ~ {b.key}"


def describe_links(
    table: LinkTable, rows: Sequence[int], context: Context, *, chosen: frozenset[int] = frozenset()
) -> tuple[Link, ...]:
    """Return the records of some rows of a table; those in `chosen` are marked as part of the plan."""
    if not rows:
        return ()
    months = months_of_year(context.hemisphere)
    pairs = table.pairs[list(rows)]
    calendar = compute_links(table.stations, pairs, context.landscape, months, context.settings)
    links = [_describe(table, row, calendar, position, context, chosen=row in chosen) for position, row in enumerate(rows)]
    notes = {row: [*_assumption_notes(table, row, season_of(table, row))] for row in rows}
    for row, extra_db in sub_refractive_extra_db(table, rows, context).items():
        notes[row].append(_refraction_note(extra_db, float(table.margin_db[season_of(table, row), row])))
    weak = [
        row for row, link in zip(rows, links, strict=True) if link.verdict not in ("ample", "good") and np.isfinite(link.margin_db)
    ]
    if weak:
        for row, gains in zip(weak, gains_of_raising(table, weak, context.landscape, context.settings), strict=True):
            ends = (table.stations[i] for i in table.pairs[row])
            notes[row] += [gain.sentence for gain, station in zip(gains, ends, strict=True) if not station.inside]
    return tuple(replace(link, notes=tuple(notes[row])) for row, link in zip(rows, links, strict=True))


def season_of(table: LinkTable, row: int) -> int:
    """Return the number of a link's worst season."""
    return int(table.worst_season[row])


def sub_refractive_extra_db(table: LinkTable, rows: Sequence[int], context: Context) -> dict[int, float]:
    """Return how much more each long link loses in its worst season when the ray bends up instead of down.

    Parameters
    ----------
    table : LinkTable
    rows : sequence of int
        Links to look at; those shorter than `SUB_REFRACTION_FROM_M` are left out.
    context : Context

    Notes
    -----
    Source
        Effective Earth radius factor 0.8 in place of the property's (own advice, no source for the figure).
    """
    distant = [row for row in rows if table.distance_m[row] >= SUB_REFRACTION_FROM_M]
    if not distant:
        return {}
    settings = replace(context.settings, earth_radius_km=float(effective_earth_radius_km(SUB_REFRACTIVE_K)))
    bent = compute_links(table.stations, table.pairs[distant], context.landscape, table.seasons, settings)
    return {
        row: float(bent.losses.total_db[season_of(table, row), position] - table.losses.total_db[season_of(table, row), row])
        for position, row in enumerate(distant)
    }


def _describe(table: LinkTable, row: int, calendar: LinkTable, position: int, context: Context, *, chosen: bool) -> Link:
    a, b = (table.stations[i] for i in table.pairs[row])
    worst = season_of(table, row)
    distance_m, bearing_deg = distance_and_bearing(a.site.lon_deg, a.site.lat_deg, b.site.lon_deg, b.site.lat_deg)
    profiles = _profile(table, row, context)
    clearance = (
        INSIDE_ONE_BUILDING
        if row in table.indoor_legs
        else describe_clearance(
            profiles,
            context.landscape,
            share=float(table.losses.clearance_share[row]),
            clearance_m=float(table.losses.clearance_m[row]),
            index=int(table.losses.clearance_index[row]),
            frequency_mhz=context.settings.frequency_mhz,
            ground_limited=bool(table.losses.terrain_parts.ground_limited[row]),
            first_name=a.key,
        )
    )
    seasons = tuple(_season_result(table, row, number) for number in range(len(table.seasons)))
    chance = float(table.worst_chance[row])
    margin_db = float(table.margin_db[worst, row])
    fade_margin_db = float(table.fade_margin_db[row])
    spread = seasons[worst].spread
    other_db = float(np.sqrt(max(spread.total_db**2 - spread.elevation_db**2, 0.0)))
    verdict = verdict_for(
        float(table.chance[worst, row]),
        required_chance=context.required_chance,
        elevation_spread_db=spread.elevation_db,
        other_spread_db=other_db,
    )
    required_db = fade_margin_db + float(reliability_margin_db(context.required_chance, spread.total_db, table.freedom(worst, row)))
    causes = _causes(table, row, worst)
    learned_db = 0.0 if table.learned_db is None else float(table.learned_db[worst, row])
    shift_db = learned_db - float(table.hidden_relief_db[row])
    failing = _first_failing_month(calendar, position, shift_db, required_db)
    when = _worst_season_words(table, row)
    sentence = _sentence(a, b, verdict, margin_db, required_db, season_words(failing), causes, when, len(table.seasons))
    if np.isnan(margin_db):
        failing, causes, hole = "", (), hole_words(profiles, a.key) or "its loss is not known"
        sentence = f"{a.key} to {b.key}: {VERDICT_WORDS[verdict]}. No forecast: {hole}. A raster that fills it may be added."
    return Link(
        key=link_key(a, b),
        a=a.key,
        b=b.key,
        distance_m=float(distance_m),
        bearing_deg=float(bearing_deg),
        frequency_mhz=context.settings.frequency_mhz,
        antenna_a_agl_m=a.antenna_agl_m,
        antenna_b_agl_m=b.antenna_agl_m,
        gains_a_to_b=_gains(table, row, a, b, forward=True),
        gains_b_to_a=_gains(table, row, a, b, forward=False),
        sensitivity_a_dbm=a.sensitivity_dbm,
        sensitivity_b_dbm=b.sensitivity_dbm,
        fade_margin_db=fade_margin_db,
        seasons=seasons,
        worst_season=table.seasons[worst].name,
        first_failing_month=failing,
        clearance=clearance,
        chance=chance,
        margin_db=margin_db,
        required_margin_db=required_db,
        verdict=verdict,
        sentence=sentence,
        causes=causes,
        profile=_profile_record(profiles, context, table, row),
        chosen=chosen,
        radio=a.radio.name,
    )


def _season_result(table: LinkTable, row: int, season: int) -> SeasonResult:
    losses = table.losses
    weather_db = 2.0 * table.seasons[season].antenna_loss_db
    items = [
        BudgetItem("Free space", float(losses.free_space_db[row]), True, "ITU-R P.525"),
        BudgetItem("Terrain and ground", float(losses.terrain_db[row]), True, "ITU-R P.526, low-antenna rule"),
    ]
    behind_db = float(losses.behind_hill_db[row])
    if behind_db > 0.0:
        items.append(BudgetItem("Ground beside low antennas behind the hill", behind_db, True, "own rule on ITU-R P.526"))
    leg = table.indoor_legs.get(row)
    if leg is not None:
        items = [items[0], BudgetItem("Rooms inside the building", float(losses.building_db[row]), True, leg.source)]
    elif losses.building_path[row]:
        way = BUILDING_PATHS[losses.building_path[row]]
        items.append(BudgetItem(f"Buildings on the path, {way}", float(losses.building_db[row]), True, "ITU-R P.526; wall table"))
    if losses.vegetation_path[season, row]:
        way = COVER_PATHS[losses.vegetation_path[season, row]]
        if losses.bypass_saved_db[season, row] > 0.0:
            way += ", around the end of a hedge"
        items.append(BudgetItem(f"Plants, {way}", float(losses.vegetation_db[season, row]), True, "ITU-R P.833, P.526"))
    around_db = float(losses.clutter_db[season, row])
    if around_db:
        words = clutter_words(*(table.stations[i] for i in table.pairs[row]))
        items.append(BudgetItem(words[:1].upper() + words[1:], around_db, True, "ITU-R P.2108-1 §3.1, path from the tops"))
    hidden_db = float(table.hidden_relief_db[row])
    if hidden_db:
        items.append(BudgetItem("Relief finer than the elevation data", hidden_db, True, "mean over elevation draws"))
    if table.learned_db is not None and table.learned_db[season, row]:
        learned_db = float(table.learned_db[season, row])
        items.append(BudgetItem("Learned from readings", abs(learned_db), learned_db < 0.0, "calibration.toml"))
    if weather_db:
        items.append(BudgetItem("Snow or wet on both antennas", weather_db, True, "common practice, no source"))
    return SeasonResult(
        season=table.seasons[season].name,
        losses=tuple(items),
        path_loss_db=-float(sum(item.signed_db for item in items)),
        received_at_b_dbm=float(table.received_at_b_dbm[season, row]),
        received_at_a_dbm=float(table.received_at_a_dbm[season, row]),
        margin_at_b_db=float(table.margin_at_b_db[season, row]),
        margin_at_a_db=float(table.margin_at_a_db[season, row]),
        spread=Spread(
            model_db=float(table.model_spread_db[row]),
            elevation_db=float(table.elevation_spread_db[row]),
            vegetation_db=float(losses.vegetation_spread_db[season, row]),
            soil_db=float(table.soil_spread_db[row]),
            antenna_db=float(table.antenna_spread_db[row]),
            clutter_db=float(table.clutter_spread_db[season, row]),
        ),
        chance=float(table.chance[season, row]),
    )


def _gains(table: LinkTable, row: int, a: Station, b: Station, *, forward: bool) -> tuple[BudgetItem, ...]:
    first, second = (a, b) if forward else (b, a)
    gain_first, gain_second = float(table.gain_a_dbi[row]), float(table.gain_b_dbi[row])
    if not forward:
        gain_first, gain_second = gain_second, gain_first
    items = [_signed(f"Transmit power of {first.key} (dBm)", first.tx_power_dbm, "radio class")]
    for station, gain in ((first, gain_first), (second, gain_second)):
        items.append(_signed(f"Antenna of {station.key}, {station.antenna.title}", gain, station.antenna.source))
        if station.feed_loss_db:
            items.append(BudgetItem(f"Cable and connectors at {station.key}", station.feed_loss_db, True, "cable table"))
        if station.box_loss_db + station.other_loss_db:
            lost_db = station.box_loss_db + station.other_loss_db
            items.append(BudgetItem(f"Box and mounting at {station.key}", lost_db, True, "property settings"))
        entry_db = _entry_loss_db(table, row, station)
        if entry_db:
            items.append(BudgetItem(f"Wall around {station.key}", entry_db, True, station.entry_source))
    crossed_db = _crossed_db(table, row)
    if crossed_db:
        words = f"Antennas at an angle: {first.polarisation} at {first.key}, {second.polarisation} at {second.key}"
        items.append(BudgetItem(words, crossed_db, True, "cos² law, echoes by common practice"))
    return tuple(items)


def clutter_words(a: Station, b: Station) -> str:
    """Return what stands around the ends of a link and is in no layer, in words; named ends first."""
    around = [(station, station.clutter) for station in (a, b) if station.clutter is not None]
    below = [(station, it) for station, it in around if it.tops_m and it.low_middle_high_m[2] > station.antenna_agl_m]
    named = [f"{station.key} ({it.words})" for station, it in below if it.named]
    assumed = [(station.key, it.words) for station, it in below if not it.named]
    parts = [f"what stands around {' and '.join(named)}, on no map"] if named else []
    if assumed:
        names, kinds = " and ".join(key for key, _ in assumed), " and ".join(dict.fromkeys(kind for _, kind in assumed))
        parts.append(f"land not mapped around {names} (taken for {kinds})")
    return ", ".join(parts) or "what stands around the ends"


def _crossed_db(table: LinkTable, row: int) -> float:
    return float(mismatch_loss_db(table.stations, table.pairs[row, :1], table.pairs[row, 1:])[0])


def _entry_loss_db(table: LinkTable, row: int, station: Station) -> float:
    """Return the wall that a link passes at one end: inside one building only what closes round the antenna itself."""
    return station.lid_loss_db if row in table.indoor_legs else station.entry_loss_db


def _signed(name: str, gain_db: float, source: str) -> BudgetItem:
    return BudgetItem(name, abs(gain_db), gain_db < 0.0, source)


def plants_on_path(table: LinkTable, row: int, context: Context) -> str:
    """Return the kind of plant that fills most of a link's profile in its worst season, by length times height; empty for none."""
    heights = context.landscape.cover_heights_m(table.seasons[season_of(table, row)].month)
    weights: dict[str, float] = {}
    for number in _profile(table, row, context).cover_index[0]:
        cover = context.landscape.covers[number - 1] if number else None
        if cover is not None and not cover.is_building and heights[number] > 0.0:
            weights[cover.kind] = weights.get(cover.kind, 0.0) + float(heights[number])
    return max(sorted(weights), key=lambda kind: weights[kind]).replace("_", " ") if weights else ""


def _causes(table: LinkTable, row: int, season: int) -> tuple[str, ...]:
    return tuple(f"{words}: {loss:.0f} dB" for loss, words in main_causes(table, row, season))


def main_causes(table: LinkTable, row: int, season: int, *, plants: str = "plants") -> list[tuple[float, str]]:
    """Return the greatest losses of a link in a season beside free space, in dB with their words, the greatest first."""
    losses = table.losses
    a, b = (table.stations[i] for i in table.pairs[row])
    obstacles_db = max(float(losses.terrain_parts.obstacle_db[row]), 0.0)
    ground_db = max(float(losses.terrain_db[row]) - obstacles_db, 0.0) + float(losses.behind_hill_db[row])
    found = [
        (obstacles_db, "terrain in the way"),
        (ground_db, "low antennas over the ground"),
        (float(table.hidden_relief_db[row]), "relief that the elevation data are too coarse to show"),
        (float(losses.building_db[row]), "rooms between them" if row in table.indoor_legs else "buildings on the path"),
        (float(losses.vegetation_db[season, row]), f"{plants} on the path"),
        (_entry_loss_db(table, row, a), f"the wall around {a.key}"),
        (_entry_loss_db(table, row, b), f"the wall around {b.key}"),
        (float(losses.clutter_db[season, row]), clutter_words(a, b)),
        (_crossed_db(table, row), f"antennas that stand {a.polarisation} and {b.polarisation}: turn one"),
        (a.feed_loss_db, f"the cable at {a.key}"),
        (b.feed_loss_db, f"the cable at {b.key}"),
        (2.0 * table.seasons[season].antenna_loss_db, "snow or wet on the antennas"),
    ]
    return sorted((item for item in found if item[0] >= CAUSE_FROM_DB), key=lambda item: -item[0])[:MOST_CAUSES]


def _assumption_notes(table: LinkTable, row: int, season: int) -> list[str]:
    a, b = (table.stations[i] for i in table.pairs[row])
    notes = []
    leg = table.indoor_legs.get(row)
    if leg is not None:
        notes.append(f"Both stand inside one building, taken for {leg.words}: guessed from its wall, test it on site.")
    for station, other in ((a, b), (b, a)):
        if station.antenna.is_directional and station.site.azimuth_deg is None:
            notes.append(
                f"The directional antenna of {station.key} has no azimuth: the figures hold if it points at {other.key}. "
                "Its other links count on the same of theirs, and it can point at one partner only."
            )
    saved_db = float(table.losses.bypass_saved_db[season, row])
    if saved_db > 0.0:
        notes.append(f"The way around the end of a hedge is {saved_db:.0f} dB cheaper than the way through it.")
    return notes


def _refraction_note(extra_db: float, margin_db: float) -> str:
    now = f"On nights when the air bends radio up instead of down (Earth radius factor {SUB_REFRACTIVE_K:g}), this long link"
    if extra_db < SEASONS_DIFFER_DB:
        return f"{now} loses hardly more."
    return f"{now} loses {extra_db:.1f} dB more; {margin_db - extra_db:.0f} dB of margin are left then."


def _first_failing_month(calendar: LinkTable, position: int, shift_db: float, needed_db: float) -> str:
    margins = calendar.margin_db[:, position] + shift_db
    failing = [season.name for season, margin in zip(calendar.seasons, margins, strict=True) if not margin >= needed_db]
    return failing[0] if failing else ""


def _sentence(
    a: Station,
    b: Station,
    verdict: str,
    margin_db: float,
    required_db: float,
    failing: str,
    causes: tuple[str, ...],
    season: str,
    n_seasons: int,
) -> str:
    when = f" in its worst season ({season})" if season else " all year" if n_seasons > 1 else ""
    spare_db, margin = margin_db - required_db, f"{decibel_words(margin_db)} dB of margin{when}"
    if verdict in ("ample", "good"):
        head = f"{a.key} to {b.key} {VERDICT_WORDS[verdict]}: {margin}, {decibel_words(spare_db)} dB more than asked."
    elif verdict == "not sure":
        unsure = f"The elevation data are too coarse here ({margin})"
        head = f"{a.key} to {b.key}: {VERDICT_WORDS[verdict]}. {unsure}."
    else:
        head = f"{a.key} to {b.key} {VERDICT_WORDS[verdict]}: {margin}, {decibel_words(-spare_db)} dB less than asked."
    if failing and verdict in ("ample", "good", "thin") and n_seasons > 1:
        head += f" First month below what is asked: {failing}."
    return f"{head} Main loss: {causes[0]}." if causes else head


def _worst_season_words(table: LinkTable, row: int) -> str:
    """Return the worst season's name, or nothing where the seasons hardly differ."""
    margins = table.margin_db[:, row]
    return season_words(table.seasons[int(table.worst_season[row])].name) if np.ptp(margins) >= SEASONS_DIFFER_DB else ""


def _profile(table: LinkTable, row: int, context: Context) -> Profiles:
    a, b = (table.stations[i].site for i in table.pairs[row])
    return sample_profiles(context.landscape, a.x_m, a.y_m, b.x_m, b.y_m, int(table.samples[row]))


def _profile_record(profiles: Profiles, context: Context, table: LinkTable, row: int) -> ProfileRecord:
    month = table.seasons[int(table.worst_season[row])].month
    heights = context.landscape.cover_heights_m(month)
    numbers = profiles.cover_index[0]
    covers = context.landscape.covers
    kinds = {int(n): context.cover_kinds.index(covers[n - 1].kind) if n else 0 for n in np.unique(numbers)}
    return ProfileRecord(
        step_m=float(profiles.step_m[0]),
        ground_amsl_m=tuple(round(float(value), 2) for value in profiles.ground_amsl_m[0]),
        cover_m=tuple(round(float(heights[number]), 2) for number in numbers),
        cover_kind=tuple(kinds[int(number)] for number in numbers),
        effective_earth_radius_km=context.settings.earth_radius_km,
    )
