"""What a link says beside its budget: the calendar, the second look at long paths, the aim of directional antennas."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from landscapes import NORTH_M, WEST_M, make_landscape
from link_stations import BARE, LEAF, SETTINGS, context_of, links_between, make_site, make_stations
from shapely import box

from meshplan.explain.describe import describe_links, sub_refractive_extra_db
from meshplan.links.link_table import LinkTable, compute_links
from meshplan.propagation.antenna import sector_gain_dbi
from meshplan.propagation.low_antenna import low_antenna_loss_db
from meshplan.propagation.refraction import effective_earth_radius_km
from meshplan.propagation.seasons import CROP_HEIGHT_BY_MONTH_M, LEAF_SHARE_BY_MONTH, months_of_year
from meshplan.propagation.variability import reliability_margin_db
from meshplan.records import Cover, Role
from meshplan.terrain.landscape import Landscape

FLAT = np.full((120, 240), 100.0)
MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")


def strip(kind: str, west: float, east: float, height_m: float, **more: object) -> Cover:
    """Return a north–south strip of cover across the whole landscape."""
    shape = box(WEST_M + west, NORTH_M - 600, WEST_M + east, NORTH_M)
    return replace(Cover(kind, kind, shape, height_m), **more)  # type: ignore[arg-type]


def margins_by_month(table: LinkTable, landscape: Landscape) -> np.ndarray:
    """Return the margin of the first link in each month, computed month by month."""
    return np.array(
        [
            compute_links(table.stations, table.pairs[:1], landscape, (month,), SETTINGS).margin_db[0, 0]
            for month in months_of_year("north")
        ]
    )


def first_failing(table: LinkTable, landscape: Landscape, required_chance: float) -> tuple[str, str]:
    """Return the month the engine names, and the one a plain look at the margins names."""
    link = describe_links(table, [0], context_of(landscape, required_chance))[0]
    spread_db = link.season(link.worst_season).spread.total_db
    needed_db = float(table.fade_margin_db[0]) + float(reliability_margin_db(required_chance, spread_db))
    fails = margins_by_month(table, landscape) < needed_db
    return link.first_failing_month, MONTHS[int(np.argmax(fails))] if fails.any() else ""


def chance_between(table: LinkTable, landscape: Landscape, low: int, high: int) -> float:
    """Return a required chance that month `high` (0–11) keeps and month `low` does not."""
    margins = margins_by_month(table, landscape)
    assert margins[high] > margins[low] + 0.2
    level_db = 0.5 * (margins[low] + margins[high]) - float(table.fade_margin_db[0])
    spread_db = float(table.spread_db[:, 0][int(table.worst_season[0])])
    from scipy.special import ndtr

    return float(ndtr(level_db / spread_db))


@pytest.mark.parametrize("reach", [700.0, 1000.0])
def test_maize_first_fails_in_the_month_it_reaches_the_line(reach: float) -> None:
    """Maize by month: 0.2 m in May, 0.9 m in June, 2 m in July; antennas at 1 m and 2.5 m meet it in July at the latest."""
    maize = strip("maize", 300, 650, 2.5, heights_by_month_m=CROP_HEIGHT_BY_MONTH_M["maize"])
    landscape = make_landscape(FLAT, covers=(maize,))
    sites = [make_site("a", 200, 300, 1.0), make_site("b", 200 + reach, 300, 2.5, Role.GATEWAY)]
    table = links_between(sites, landscape, seasons=months_of_year("north"))
    margins = margins_by_month(table, landscape)
    assert margins[[0, 1, 2, 3]] == pytest.approx(margins[0])
    grown = int(np.argmax(margins < margins[0] - 3.0))
    assert MONTHS[grown] in ("Jun", "Jul")
    named, looked_up = first_failing(table, landscape, chance_between(table, landscape, grown, 0))
    assert named == looked_up == MONTHS[grown]
    assert margins[9] == pytest.approx(margins[0])


def test_a_deciduous_wood_first_fails_when_leaves_come() -> None:
    """Leaf share by month rises from 0.1 in March over 0.5 in April to 1 in May."""
    landscape = make_landscape(FLAT, covers=(strip("wood_deciduous", 500, 800, 14.0),))
    sites = [make_site("a", 450, 300, 1.0), make_site("b", 950, 300, 2.5, Role.GATEWAY)]
    table = links_between(sites, landscape, seasons=(BARE, LEAF))
    for low, high in ((2, 1), (3, 2), (4, 3)):
        assert LEAF_SHARE_BY_MONTH[low] > LEAF_SHARE_BY_MONTH[high]
        named, looked_up = first_failing(table, landscape, chance_between(table, landscape, low, high))
        assert named == looked_up == MONTHS[low]


def test_an_evergreen_wood_fails_all_year_or_never() -> None:
    landscape = make_landscape(FLAT, covers=(strip("wood_evergreen", 500, 800, 14.0),))
    sites = [make_site("a", 450, 300, 1.0), make_site("b", 950, 300, 2.5, Role.GATEWAY)]
    table = links_between(sites, landscape, seasons=(BARE, LEAF))
    assert {first_failing(table, landscape, chance)[0] for chance in (0.02, 0.98)} == {"", "Jan"}


def long_link(distance_m: float, height_m: float = 6.0) -> tuple[LinkTable, Landscape]:
    """Return a link over flat ground at a coarse cell."""
    columns = int(distance_m / 20.0) + 40
    landscape = make_landscape(np.full((40, columns), 100.0), cell_m=20.0)
    sites = [make_site("a", 300, 400, height_m), make_site("b", 300 + distance_m, 400, height_m, Role.GATEWAY)]
    return links_between(sites, landscape), landscape


def test_long_links_are_looked_at_with_a_ray_that_bends_up() -> None:
    """Flat ground, 15 km: the extra loss is the rule's own difference between k = 4/3 and k = 0.8."""
    table, landscape = long_link(15_000.0)
    along = np.linspace(0.0, float(table.distance_m[0]), int(table.samples[0]))
    flat = np.full(len(along), 100.0)
    usual, bent = (
        float(
            low_antenna_loss_db(
                along, flat, flat, 106.0, 106.0, 868.0, earth_radius_km=float(effective_earth_radius_km(k))
            ).total_db
        )
        for k in (4.0 / 3.0, 0.8)
    )
    extra_db = sub_refractive_extra_db(table, [0], context_of(landscape))[0]
    assert extra_db == pytest.approx(bent - usual, abs=1e-6)
    assert extra_db > 1.0
    link = describe_links(table, [0], context_of(landscape))[0]
    note = next(note for note in link.notes if "bends radio up" in note)
    assert f"loses {extra_db:.1f} dB more; {link.margin_db - extra_db:.0f} dB of margin are left then." in note


def test_short_links_have_no_second_look() -> None:
    table, landscape = long_link(2_900.0)
    assert sub_refractive_extra_db(table, [0], context_of(landscape)) == {}
    assert not any("bends radio up" in note for note in describe_links(table, [0], context_of(landscape))[0].notes)


def test_a_directional_antenna_without_azimuth_points_at_its_partner() -> None:
    landscape = make_landscape(FLAT)
    sites = [
        make_site("gate", 600, 300, 3.0, Role.GATEWAY, antenna="yagi_3"),
        make_site("east", 1000, 300, 1.0),
        make_site("west", 200, 300, 1.0),
        make_site("aimed", 600, 300, 3.0, Role.RELAY, antenna="yagi_3", azimuth_deg=90.0),
    ]
    table = links_between(sites, landscape, pairs=[(1, 0), (2, 0), (1, 3), (2, 3)])
    antenna = table.stations[0].antenna
    assert table.gain_b_dbi[[0, 1]] == pytest.approx(antenna.gain_dbi)
    assert table.gain_b_dbi[2] == pytest.approx(antenna.gain_dbi, abs=0.2)
    behind = float(sector_gain_dbi(antenna.gain_dbi, 180.0, 0.0, horizontal_beamwidth_deg=antenna.horizontal_beamwidth_deg or 0.0))
    assert table.gain_b_dbi[3] == pytest.approx(behind, abs=0.3)
    links = describe_links(table, [0, 1, 2], context_of(landscape))
    assert (
        "The directional antenna of gate has no azimuth: the figures hold if it points at east. Its other links count on "
        "the same of theirs, and it can point at one partner only."
    ) in links[0].notes
    assert not any("azimuth" in note for note in links[2].notes)


def test_the_aim_that_was_assumed_is_printed() -> None:
    _, assumptions = make_stations([make_site("gate", 600, 300, 3.0, Role.GATEWAY, antenna="yagi_3")], make_landscape(FLAT))
    assert assumptions == (
        "The directional antenna of gate has no azimuth: each of its links is computed as if it pointed at that partner. It can "
        "point at one of them only; write its azimuth once that is settled.",
    )
