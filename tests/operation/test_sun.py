"""Sun positions and winter light against published formulas and a well-kept library's figures; horizons by hand."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import small_property
from hypothesis import given, settings
from hypothesis import strategies as st
from landscapes import CRS, NORTH_M, WEST_M, make_landscape
from shapely import box
from small_property import bank, changed, lay_small_property, usual_sites

from meshplan.operation.sun import (
    BARE_CROWN_PASSES,
    Horizon,
    clearness_of,
    declination_deg,
    monthly_diffuse_share,
    outside_kwh_m2,
    panel_kwh_m2,
    solar_hour,
    sun_position,
    sunset_angle_rad,
    winter_sun_share,
)
from meshplan.records import Cover
from meshplan.terrain.horizon import AZIMUTHS, horizon_deg
from meshplan.workflow import plan_property

assert CRS


def even(high_deg: float) -> Horizon:
    return Horizon(np.full(AZIMUTHS, high_deg), np.full(AZIMUTHS, high_deg))


@pytest.mark.parametrize(
    ("lat_deg", "day", "utc_hour", "azimuth_deg", "elevation_deg"),
    # source: sun-chart points of radio facts, second sheet, 4.4 (pvlib 0.16.1, longitude 0, UTC)
    [
        (51.5, 355, 9, 139.8, 5.5), (51.5, 355, 12, 180.5, 15.1), (51.5, 79, 12, 177.6, 38.4), (51.5, 172, 9, 111.4, 45.4),
        (45.0, 355, 9, 139.2, 10.5), (60.0, 79, 15, 227.3, 21.4),
    ],
)  # fmt: skip
def test_the_sun_stands_where_charts_have_it(
    lat_deg: float, day: int, utc_hour: float, azimuth_deg: float, elevation_deg: float
) -> None:
    high, azimuth = sun_position(lat_deg, day, solar_hour(utc_hour, 0.0, day))
    assert float(high) == pytest.approx(elevation_deg, abs=0.45)  # the stated accuracy of the series
    assert float(azimuth) == pytest.approx(azimuth_deg, abs=0.6)


def test_declination_meets_the_solstices() -> None:
    # source: obliquity of the ecliptic, 23.44°
    assert float(declination_deg(np.arange(1, 366)).max()) == pytest.approx(23.44, abs=0.06)
    assert float(declination_deg(np.arange(1, 366)).min()) == pytest.approx(-23.44, abs=0.06)


@pytest.mark.parametrize(
    ("lat_deg", "noon_deg", "minutes"),
    # source: radio facts, second sheet, 4.4, 21 December (pvlib): height at noon; minutes above 0°, 5°, 10°
    [(35.0, 31.6, (585, 521, 461)), (45.0, 21.6, (523, 443, 364)), (51.5, 15.1, (465, 367, 255)), (60.0, 6.6, (345, 159, 0))],
)
def test_the_shortest_day_is_as_long_as_charts_say(lat_deg: float, noon_deg: float, minutes: tuple[int, ...]) -> None:
    high, _ = sun_position(lat_deg, 355, np.arange(0, 24 * 60) / 60.0)
    assert float(high.max()) == pytest.approx(noon_deg, abs=0.1)
    # sunrise is when the sun is seen: Bennett's refraction (1982), arc minutes
    seen = high + np.where(high > -2.0, 1.02 / np.tan(np.radians(high + 10.3 / (high + 5.11))), 0.0) / 60.0
    for level, expected in zip((0.0, 5.0, 10.0), minutes, strict=True):
        assert int(((seen if level == 0.0 else high) > level).sum()) == pytest.approx(expected, abs=5)


@pytest.mark.parametrize(
    ("lat_deg", "expected"),
    # source: radio facts, second sheet, 4.4 (pvlib): plane at latitude + 15°, December, clearness 0.25 … 0.55 (kWh/m², one decimal)
    [(35.0, (1.6, 2.4, 3.5, 4.6)), (45.0, (1.3, 2.0, 3.0, 4.1)), (51.5, (1.0, 1.7, 2.6, 3.6)), (60.0, (0.7, 1.2, 1.9, 2.7))],
)
def test_a_mean_december_day_meets_the_table(lat_deg: float, expected: tuple[float, ...]) -> None:
    for clearness, kwh in zip((0.25, 0.35, 0.45, 0.55), expected, strict=True):
        assert panel_kwh_m2(lat_deg, 344, clearness) == pytest.approx(kwh, abs=0.05 + 0.06 * kwh)


def test_diffuse_share_and_day_outside_meet_the_textbook() -> None:
    # by hand: 1.391 - 3.560·0.5 + 4.189·0.25 - 2.137·0.125 = 0.391; 1.311 - 3.022·0.5 + 3.427·0.25 - 1.821·0.125 = 0.429
    assert monthly_diffuse_share(0.5, np.radians(70.0)) == pytest.approx(0.391, abs=0.001)
    assert monthly_diffuse_share(0.5, np.radians(90.0)) == pytest.approx(0.429, abs=0.001)
    # source: worked example of solar textbooks, 43° N on 15 April (day 105): 33.8 MJ/m² with 1367 W/m², 33.65 with 1361
    assert outside_kwh_m2(43.0, 105) * 3.6 == pytest.approx(33.65, abs=0.15)
    assert sunset_angle_rad(80.0, 355) == 0.0  # polar night


def test_an_even_horizon_takes_the_beam_as_the_sun_sinks_behind_it() -> None:
    # source: radio facts, second sheet, 4.4: 51.5° N, a clear 21 December keeps 2.94 / 2.92 / 2.86 / 2.65 / 2.38 / 1.98 / 0.55
    # kWh/m² under 0 / 3 / 5 / 8 / 10 / 12 / 15°; here a day of clearness 0.6
    free = panel_kwh_m2(51.5, 355, 0.6)
    for high_deg, kept in ((3, 2.92), (5, 2.86), (8, 2.65), (10, 2.38), (12, 1.98), (15, 0.55)):
        assert panel_kwh_m2(51.5, 355, 0.6, even(high_deg)) / free == pytest.approx(kept / 2.94, abs=0.06), high_deg


@settings(deadline=None, max_examples=40)
@given(st.floats(-65, 65), st.floats(0, 40), st.floats(0, 20), st.floats(0.3, 4.0))
def test_more_horizon_never_gives_more_sun(lat_deg: float, high_deg: float, more_deg: float, hours: float) -> None:
    share = winter_sun_share(lat_deg, even(high_deg), hours)
    assert 0.0 <= winter_sun_share(lat_deg, even(high_deg + more_deg), hours) <= share + 1e-12 <= 1.0 + 1e-12
    assert winter_sun_share(lat_deg, even(0.0), hours) == pytest.approx(1.0)


def test_both_hemispheres_see_their_own_winter() -> None:
    north = np.zeros(AZIMUTHS)
    north[: AZIMUTHS // 4] = north[-AZIMUTHS // 4 :] = 40.0
    assert winter_sun_share(-45.0, Horizon(north, north), 1.5) < 0.7 < winter_sun_share(45.0, Horizon(north, north), 1.5)


def test_leafless_crowns_let_half_through() -> None:
    bare = Horizon(np.zeros(AZIMUTHS), np.full(AZIMUTHS, 30.0))
    assert bare.passes([10.0, 35.0], [180.0, 180.0]).tolist() == [BARE_CROWN_PASSES, 1.0]
    assert even(30.0).sky_share < bare.sky_share < 1.0
    assert winter_sun_share(51.5, even(30.0), 0.8) < winter_sun_share(51.5, bare, 0.8) < 1.0


def test_clearness_gives_back_the_hours_of_the_table() -> None:
    for hours in (0.8, 1.5, 2.5):
        assert panel_kwh_m2(45.0, 344, clearness_of(45.0, 344, hours)) == pytest.approx(hours, abs=1e-6)


def test_a_ridge_and_a_wood_stand_as_high_as_trigonometry_says() -> None:
    cells = np.full((200, 200), 100.0)
    cells[120:124, :] = 130.0  # a wall of ground 30 m high, its near edge 100 m south of the eye
    wood = Cover("wood", "wood_deciduous", box(WEST_M + 540, NORTH_M - 520, WEST_M + 560, NORTH_M - 480), 12.0)
    landscape = make_landscape(cells, covers=(wood,))
    hard, bare = horizon_deg(landscape, WEST_M + 502.5, NORTH_M - 502.5, 2.0, 12)
    assert hard[36] == pytest.approx(np.degrees(np.arctan2(28.0, 100.0)), abs=1.2)
    assert hard[0] == 0.0
    assert hard[18] == 0.0
    assert bare[18] == pytest.approx(np.degrees(np.arctan2(10.0, 38.0)), abs=1.5)


def panels(folder: Path, *, south_hill: bool) -> dict[str, tuple[float, str]]:
    heights = bank()
    if south_hill:
        rows = np.arange(120)[:, None]
        heights = np.maximum(heights, (100.0 + 120.0 * np.exp(-(((rows - 84.0) / 6.0) ** 2))).astype(np.float32))
    sites = changed(usual_sites(), {"South post": {"cost": 900.0}})
    lay_small_property(folder, sites=sites, heights=heights, settings="terrain.margin_m = 240\n")
    devices = plan_property(folder).plan.devices
    return {d.name: (d.energy.panel_w, d.energy.supply_words) for d in devices if d.energy is not None and d.energy.panel_w > 0}


def test_a_hill_in_the_south_asks_for_a_larger_panel_and_says_so(tmp_path: Path) -> None:
    free, shaded = panels(tmp_path / "free", south_hill=False), panels(tmp_path / "shaded", south_hill=True)
    name = "North post"
    assert free[name][1] == ""
    assert shaded[name][0] > 1.3 * free[name][0]
    assert "high in the south leave" in shaded[name][1]


@pytest.mark.parametrize(
    ("crs", "south_m", "hill_row", "towards"),
    [
        ("EPSG:32627", 5_317_000.0, 84, "south"),  # 48° N: the winter sun stands in the south
        ("EPSG:32627", 5_317_000.0, 12, ""),
        ("EPSG:32755", 5_317_000.0, 12, "north"),  # 42° S: in the north
        ("EPSG:32755", 5_317_000.0, 84, ""),
    ],
)
def test_a_hill_shades_the_winter_sun_of_its_own_hemisphere(
    crs: str, south_m: float, hill_row: int, towards: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A hill of 120 m, 180 m south or north of the post, through the whole way from the rasters to the size of its panel."""
    monkeypatch.setattr(small_property, "CRS", crs)
    monkeypatch.setattr(small_property, "SOUTH_M", south_m)
    hill = (100.0 + 120.0 * np.exp(-(((np.arange(120)[:, None] - hill_row) / 6.0) ** 2))).astype(np.float32)
    sites = changed(usual_sites(), {"South post": {"cost": 900.0}})
    found = {}
    for name, heights in (("free", bank()), ("hill", np.maximum(bank(), hill))):
        folder = lay_small_property(tmp_path / name, sites=sites, heights=heights, settings="terrain.margin_m = 240\n")
        device = plan_property(folder).plan.device("North post")
        assert device.in_plan
        assert device.energy is not None
        found[name] = device.energy
    if towards:
        assert found["hill"].panel_w > 1.3 * found["free"].panel_w
        assert f"high in the {towards} leave" in found["hill"].supply_words
    else:
        assert found["hill"].panel_w == pytest.approx(found["free"].panel_w, rel=0.1)
        assert found["hill"].supply_words == ""
