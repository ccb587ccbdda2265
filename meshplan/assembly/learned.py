"""Between the link table and the calibration: links as predictions, and predictions corrected by readings."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from meshplan.calibration.correct import correct_links
from meshplan.links.link_table import LinkTable
from meshplan.links.margins import OBSTRUCTED_FROM_DB
from meshplan.loss.uncertainty import chance_of
from meshplan.propagation.noise import thermal_noise_dbm
from meshplan.records import Spread
from meshplan.records.measurement import SNR_CAP_DB, Calibration, LinkCorrection, PredictedLink
from meshplan.records.station import Station
from meshplan.units import Array

NOTABLE_COVER_M = 10.0
"""Metres inside a kind of cover from which a link counts as a link through it (own choice)."""


def predicted_link(table: LinkTable, row: int, season: int, *, forward: bool, key: str = "") -> PredictedLink:
    """Return one direction of a link in one season as the calibration sees it.

    Parameters
    ----------
    table : LinkTable
    row, season : int
    forward : bool
        From the first station of the pair to the second, or back.
    key : str
        Name of the prediction; by default the two station keys.
    """
    i, j = table.pairs[row] if forward else table.pairs[row][::-1]
    a, b = table.stations[i], table.stations[j]
    losses = table.losses
    received = table.received_at_b_dbm if forward else table.received_at_a_dbm
    cover = tuple(
        (kind, float(depth[season, row])) for kind, depth in sorted(losses.cover_depth_m.items()) if depth[season, row] > 0.0
    )
    return PredictedLink(
        key=key or f"{a.key} ~ {b.key}",
        a=a.key,
        b=b.key,
        a_x_m=a.site.x_m,
        a_y_m=a.site.y_m,
        b_x_m=b.site.x_m,
        b_y_m=b.site.y_m,
        distance_m=float(table.distance_m[row]),
        received_dbm=float(received[season, row]),
        sensitivity_dbm=b.sensitivity_dbm,
        spread=spread_of(table, row, season),
        frequency_mhz=a.radio.frequency_mhz,
        radio=a.radio.name,
        season=table.seasons[season].name,
        in_leaf=table.seasons[season].leaf_share >= 0.5,
        environment=environment_of(table, row, season, cover),
        diffraction_db=_diffraction_db(table, row),
        clutter_db=float(losses.clutter_db[season, row]),
        ground_limited=bool(losses.terrain_parts.ground_limited[row]),
        cover_m=cover,
        antenna_a_agl_m=a.antenna_agl_m,
        antenna_b_agl_m=b.antenna_agl_m,
        noise_dbm=noise_at_dbm(b),
        snr_cap_db=snr_cap_db(b),
    )


def _diffraction_db(table: LinkTable, row: int) -> float:
    """Return what ground and roofs cost a link, with the relief that the elevation data hide: one cause, learned as one."""
    losses = table.losses
    as_mapped_db = losses.terrain_db[row] + losses.behind_hill_db[row] + losses.building_db[row]
    return max(float(as_mapped_db + table.hidden_relief_db[row]), 0.0)


def noise_at_dbm(station: Station) -> float:
    """Return the noise level that is expected at a station."""
    bandwidth_hz = station.radio.bandwidth_khz * 1000.0
    return float(thermal_noise_dbm(bandwidth_hz, station.radio.noise_figure_db)) + station.noise_rise_db


def snr_cap_db(station: Station) -> float:
    """Return the largest signal-to-noise ratio that the receiver of a station reports."""
    cap = station.radio.radio.snr_cap_db
    return cap.value if cap is not None else SNR_CAP_DB


def spread_of(table: LinkTable, row: int, season: int) -> Spread:
    """Return the spreads of a link by cause; what stands around an end is learned with its antenna."""
    return Spread(
        model_db=float(table.model_spread_db[row]),
        elevation_db=float(table.elevation_spread_db[row]),
        vegetation_db=float(table.losses.vegetation_spread_db[season, row]),
        soil_db=float(table.soil_spread_db[row]),
        antenna_db=float(np.hypot(table.antenna_spread_db[row], table.clutter_spread_db[season, row])),
    )


def environment_of(table: LinkTable, row: int, season: int, cover: Sequence[tuple[str, float]]) -> str:
    """Return the kind of surroundings a link runs through: indoors, its deepest plants, buildings, hill, ground or open.

    A hill counts with the relief that the elevation data hide, as in what diffraction is taken to cost.
    """
    a, b = (table.stations[i] for i in table.pairs[row])
    deepest = max(cover, key=lambda item: item[1], default=("", 0.0))
    if a.entry_loss_db or b.entry_loss_db:
        return "indoors"
    if deepest[1] >= NOTABLE_COVER_M:
        return deepest[0]
    if table.losses.building_db[row] > OBSTRUCTED_FROM_DB:
        return "buildings"
    if table.losses.terrain_parts.obstacle_db[row] + table.hidden_relief_db[row] > OBSTRUCTED_FROM_DB:
        return "hill"
    return "near ground" if table.losses.terrain_parts.ground_limited[row] else "open"


def corrected_table(table: LinkTable, calibration: Calibration) -> tuple[LinkTable, dict[str, LinkCorrection]]:
    """Return the table with powers, spreads and chances as the readings correct them, and the correction of each link by key.

    Both directions of a link take the correction of their own; spreads are those of the first direction.
    """
    seasons, count = range(len(table.seasons)), len(table.pairs)
    there = [predicted_link(table, row, season, forward=True) for season in seasons for row in range(count)]
    back = [predicted_link(table, row, season, forward=False) for season in seasons for row in range(count)]
    known = [index for index, link in enumerate(there) if np.isfinite(link.received_dbm)]
    fixed = correct_links(calibration, [there[index] for index in known])
    fixed_back = correct_links(calibration, [back[index] for index in known])
    shape = (len(table.seasons), count)
    learned, learned_back = np.zeros(shape), np.zeros(shape)
    noise_b, noise_a, total, freedom = np.zeros(shape), np.zeros(shape), np.array(table.spread_db), np.full(shape, np.inf)
    parts = {name: np.broadcast_to(values, shape).copy() for name, values in _spreads(table).items()}
    by_key: dict[str, LinkCorrection] = {}
    worst_before = table.worst_season
    for index, one, other in zip(known, fixed, fixed_back, strict=True):
        season, row = divmod(index, count)
        learned[season, row], learned_back[season, row] = one.correction_db, other.correction_db
        noise_b[season, row], noise_a[season, row] = one.noise_rise_db, other.noise_rise_db
        total[season, row], freedom[season, row] = one.spread.total_db, one.freedom
        for name, values in parts.items():
            values[season, row] = getattr(one.spread, name)
        if season == worst_before[row]:
            by_key[there[index].key] = one
    at_b, at_a = table.received_at_b_dbm + learned, table.received_at_a_dbm + learned_back
    stations = _noisier(table, noise_a, noise_b)
    least_dbm = np.array([station.sensitivity_dbm for station in stations])
    margin_b, margin_a = at_b - least_dbm[table.pairs[:, 1]], at_a - least_dbm[table.pairs[:, 0]]
    worst = np.argmin(np.nan_to_num(np.minimum(margin_a, margin_b), nan=np.inf), axis=0)
    pick = worst, np.arange(count)
    # Other causes have one figure for the whole year: what the uncertainty of a season is more than they are counts with plants.
    all_year = [parts[name][pick] for name in ("model_db", "elevation_db", "soil_db", "antenna_db")]
    rest = np.sum(np.square(all_year), axis=0)
    plants = np.sqrt(np.maximum(total**2 - rest, 0.0))
    elevation = parts["elevation_db"][pick]
    # A whole route draws its ground from the shifts: they keep their shape and take the size that the readings leave.
    left = np.divide(elevation, table.elevation_spread_db, out=np.ones(count), where=table.elevation_spread_db > 0.0)
    return (
        replace(
            table,
            stations=stations,
            received_at_b_dbm=at_b,
            received_at_a_dbm=at_a,
            margin_at_b_db=margin_b,
            margin_at_a_db=margin_a,
            learned_db=learned,
            model_spread_db=parts["model_db"][pick],
            elevation_spread_db=elevation,
            elevation_shift_db=(table.elevation_shift_db * left[:, None]).astype(np.float32),
            soil_spread_db=parts["soil_db"][pick],
            antenna_spread_db=parts["antenna_db"][pick],
            losses=replace(
                table.losses,
                vegetation_spread_db=plants,
                clutter_spread_a_db=np.zeros(shape),
                clutter_spread_b_db=np.zeros(shape),
            ),
            chance=chance_of(np.minimum(margin_a, margin_b), table.fade_margin_db, np.sqrt(rest + plants**2), freedom),
            tail_freedom=freedom,
        ),
        by_key,
    )


def _noisier(table: LinkTable, noise_a_db: Array, noise_b_db: Array) -> tuple[Station, ...]:
    """Return the stations with the noise that was measured at them; what one link says of its receiver holds for all of them."""
    rise_db = np.zeros(len(table.stations))
    for ends, noise_db in ((table.pairs[:, 0], noise_a_db), (table.pairs[:, 1], noise_b_db)):
        for end, values in zip(ends, noise_db.T, strict=True):
            strongest = values[np.argmax(np.abs(values))]
            if abs(strongest) > abs(rise_db[end]):
                rise_db[end] = strongest
    return tuple(
        replace(station, noise_rise_db=station.noise_rise_db + float(rise)) if rise else station
        for station, rise in zip(table.stations, rise_db, strict=True)
    )


def _spreads(table: LinkTable) -> dict[str, np.ndarray]:
    return {
        "model_db": table.model_spread_db,
        "elevation_db": table.elevation_spread_db,
        "vegetation_db": table.losses.vegetation_spread_db,
        "soil_db": table.soil_spread_db,
        "antenna_db": np.hypot(table.antenna_spread_db, table.clutter_spread_db),
    }
