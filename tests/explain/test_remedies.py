"""What would mend a link: the figures hold when the change is made, and no remedy breaks the law."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import shapely
from landscapes import NORTH_M, WEST_M, make_landscape
from link_stations import ANTENNAS, CABLES, LEAF, SETTINGS, context_of, links_between, make_site, make_stations
from shapely import box

from meshplan.explain.describe import describe_links
from meshplan.explain.remedies import HEIGHT_STEPS_M, SATURATED_BELOW_DB_PER_M, Changed, Workshop, find_remedies, gain_of_raising
from meshplan.links.link_table import LinkTable, compute_links
from meshplan.loss.uncertainty import draw_error_fields
from meshplan.records import Cover, Remedy, Role, Site
from meshplan.records.station import Station
from meshplan.terrain.geodesy import place_on_grid
from meshplan.terrain.landscape import Landscape

EAST_M = np.arange(480) * 5.0
RIDGE = np.tile(100.0 + 9.0 * np.exp(-(((EAST_M - 1200.0) / 60.0) ** 2)), (120, 1))
LANDSCAPE = make_landscape(RIDGE, error_m=0.4, error_length_m=15.0)
FIELDS = draw_error_fields(LANDSCAPE)
REQUIRED = 0.8


def failing_link(landscape: Landscape = LANDSCAPE, *, distance_m: float = 900.0, cable_m: float = 10.0) -> LinkTable:
    """Return a link over a low ridge that is too long for its antennas."""
    sites = [
        make_site("meadow", 400, 300, 0.6),
        make_site("mast", 400 + distance_m, 300, 4.0, Role.GATEWAY, cable_m=cable_m, cable="foam_5mm"),
    ]
    return links_between(sites, landscape, seasons=(LEAF,), error_fields=FIELDS)


def workshop_on(landscape: Landscape, *, capped: bool = False) -> Workshop:
    """Return what remedies may use; `capped` keeps the radiated power at what today's antennas and cables radiate."""

    def rebuild(station: Station, site: Site) -> Station:
        (built,), _ = make_stations([site], landscape)
        more_db = built.antenna.peak_gain_dbi[1] - built.feed_loss_db - station.antenna.peak_gain_dbi[1] + station.feed_loss_db
        power_dbm = station.tx_power_dbm - max(more_db, 0.0) if capped else station.tx_power_dbm
        return replace(built, key=station.key, tx_power_dbm=power_dbm)

    return Workshop(rebuild, ANTENNAS, CABLES, FIELDS)


def remedies_of(table: LinkTable, *, capped: bool = True) -> tuple[Remedy, ...]:
    """Return remedies over the table's own elevation draws."""
    return find_remedies(table, 0, LANDSCAPE, SETTINGS, workshop_on(LANDSCAPE, capped=capped), required_chance=REQUIRED)


def chance_with(table: LinkTable, a: Station, b: Station) -> float:
    """Return the chance of the same link with other stations, computed from the start."""
    fresh = compute_links((a, b), np.array([[0, 1]]), LANDSCAPE, table.seasons, SETTINGS, error_fields=FIELDS)
    return float(fresh.worst_chance[0])


def test_the_smallest_sufficient_change_gives_the_chance_it_promises() -> None:
    table = failing_link()
    assert table.worst_chance[0] < 0.5
    best = remedies_of(table)[0]
    assert best.suffices
    assert best.change.startswith("Raise the antenna of ")
    rise_m = float(best.change.split(" by ")[1].split(" m")[0])
    raised = [
        replace(station, antenna_agl_m=station.antenna_agl_m + (rise_m if station.key == best.device else 0.0))
        for station in table.stations
    ]
    promised = chance_with(table, raised[0], raised[1])
    assert promised == pytest.approx(best.chance_after, abs=1e-9)
    assert promised >= REQUIRED
    smaller = [step for step in HEIGHT_STEPS_M if step < rise_m][-1]
    short = [
        replace(station, antenna_agl_m=station.antenna_agl_m + (smaller if station.key == best.device else 0.0))
        for station in table.stations
    ]
    assert chance_with(table, short[0], short[1]) < REQUIRED


def test_what_hangs_on_the_link_decides_whether_a_change_suffices() -> None:
    """A change that only makes the link good is no mending where something else still fails; it then leads by its gain."""
    table = failing_link()
    workshop = workshop_on(LANDSCAPE)
    asked: list[str] = []

    def never(each: Changed) -> bool:
        asked.append(each.change.words)
        return False

    remedies = find_remedies(table, 0, LANDSCAPE, SETTINGS, workshop, required_chance=REQUIRED, suffices=never)
    assert asked
    assert remedies
    assert not any(remedy.suffices for remedy in remedies)
    assert [remedy.gain_db for remedy in remedies] == sorted((remedy.gain_db for remedy in remedies), reverse=True)


def test_height_saturates_where_the_next_metre_gives_less_than_half_a_decibel() -> None:
    table = failing_link()
    gain = gain_of_raising(table, 0, LANDSCAPE, SETTINGS, end="a")
    assert gain.device == "meadow"
    raised = [replace(table.stations[0], antenna_agl_m=0.6 + step) for step in HEIGHT_STEPS_M]
    fresh = [
        compute_links((station, table.stations[1]), np.array([[0, 1]]), LANDSCAPE, table.seasons, SETTINGS).margin_db[0, 0]
        - (table.margin_db[0, 0] + table.hidden_relief_db[0])
        for station in raised
    ]
    assert gain.gain_db == pytest.approx(fresh, abs=0.051)
    slopes = np.diff([0.0, *fresh]) / np.diff([0.0, *HEIGHT_STEPS_M])
    beyond = [slope for slope, step in zip(slopes, HEIGHT_STEPS_M, strict=True) if step > gain.saturates_at_m]
    assert all(slope < SATURATED_BELOW_DB_PER_M for slope in beyond)
    assert gain.best_db > 8.0


def test_a_clear_high_link_gains_nothing_from_height() -> None:
    table = links_between(
        [make_site("a", 100, 300, 12.0, Role.RELAY), make_site("b", 300, 300, 12.0, Role.GATEWAY)], LANDSCAPE, seasons=(LEAF,)
    )
    gain = gain_of_raising(table, 0, LANDSCAPE, SETTINGS, end="b")
    assert gain.saturates_at_m == 0.0
    assert gain.sentence == "Raising the antenna of b gives nothing, not even 10 m more."


def test_a_failing_link_carries_the_decibels_per_metre_of_both_ends() -> None:
    table = failing_link()
    link = describe_links(table, [0], context_of(LANDSCAPE))[0]
    assert link.verdict in ("thin", "failing", "not sure")
    for end, name in (("a", "meadow"), ("b", "mast")):
        gain = gain_of_raising(table, 0, LANDSCAPE, SETTINGS, end=end)
        assert gain.sentence in link.notes
        assert gain.sentence.startswith(f"Raising the antenna of {name} gives {gain.gain_db[1]:.1f} dB for the first metre")
        height_m = gain.antenna_agl_m + gain.saturates_at_m
        tall = ", guys and planning permission" if height_m > 5.0 else ""
        assert height_m > 2.5
        assert gain.sentence.endswith(f" At {height_m:g} m mind power lines, ladder and lightning{tall}.")


def test_a_better_antenna_is_not_louder_than_the_law_allows() -> None:
    """Nobody told the power that law allows: radiated power stays, so only the weaker of the two directions can gain."""
    table = failing_link()
    a, b = table.stations
    better = [remedy for remedy in remedies_of(table) if remedy.change.startswith("Give meadow")]
    yagi = next(antenna for antenna in ANTENNAS.values() if antenna.is_directional and antenna.serves(868.0))
    louder = replace(a, antenna=yagi)
    assert chance_with(table, louder, b) > max((remedy.chance_after for remedy in better), default=0.0)
    allowed = remedies_of(table, capped=False)
    free = [remedy for remedy in allowed if remedy.change.startswith("Give meadow")]
    assert max(remedy.gain_db for remedy in free) > 2.0
    assert all("then sends" not in remedy.change for remedy in free)
    assert any(f"pointed at {b.key}" in remedy.change or "collinear" in remedy.change for remedy in free)


def test_saved_cable_is_told_per_metre() -> None:
    table = failing_link()
    remedies = remedies_of(table, capped=False)
    saved = next(remedy for remedy in remedies if remedy.change.startswith("Put the radio of mast"))
    feed_db = table.stations[1].feed_loss_db
    assert saved.gain_db == pytest.approx(feed_db, abs=0.051)
    assert f"save 10 m of cable, {feed_db / 10.0:.1f} dB for each metre" in saved.change
    thicker = next(remedy for remedy in remedies if remedy.change.startswith("Use "))
    assert 0.0 < thicker.gain_db < feed_db


def test_bringing_an_antenna_out_of_a_shed_gives_its_wall() -> None:
    shed = Cover("shed", "building", box(WEST_M + 390, NORTH_M - 310, WEST_M + 410, NORTH_M - 290), 4.0, wall="steel_with_openings")
    landscape = make_landscape(RIDGE, covers=(shed,))
    sites = [make_site("tank", 400, 300, 1.5), make_site("mast", 1100, 300, 6.0, Role.GATEWAY)]
    table = links_between(sites, landscape, seasons=(LEAF,), error_fields=FIELDS)
    remedies = find_remedies(table, 0, landscape, SETTINGS, workshop_on(landscape), required_chance=0.999)
    out = next(remedy for remedy in remedies if remedy.change.startswith("Bring the antenna of tank outside the wall"))
    beside = make_site("tank", 400, 300, 1.5)
    lon_deg, lat_deg = (float(out.columns[name]) for name in ("lon_deg", "lat_deg"))
    x_m, y_m = place_on_grid(landscape.grid, lon_deg, lat_deg)
    assert 10.0 < np.hypot(x_m - beside.x_m, y_m - beside.y_m) < 20.0
    assert not landscape.covers[0].geometry.contains(shapely.Point(x_m, y_m))
    moved = links_between(
        [replace(beside, x_m=x_m, y_m=y_m, lon_deg=lon_deg, lat_deg=lat_deg), sites[1]],
        landscape,
        seasons=(LEAF,),
        error_fields=FIELDS,
    )
    assert moved.stations[0].entry_loss_db == 0.0
    assert out.chance_after == pytest.approx(float(moved.worst_chance[0]), abs=1e-9)
