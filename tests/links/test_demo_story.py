"""The story of the three demo properties, as the engine tells it, against the hand-check it was written with.

The hand-check (Bullington alone, a plane-earth term, slabs of leaves, 20 dB a steel wall, ± 10 dB) is there to see that the story
works. Where the engine tells another, the test says so and why.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from benchmarks.demo_links import HAND_CHECK_POWER_DBM, DemoLinks, demo_links, table_text
from landscapes import make_landscape
from link_stations import SETTINGS, make_site, make_stations

from meshplan.links.link_table import compute_links
from meshplan.propagation.seasons import usual_seasons
from meshplan.records import Role

NEEDED_DB = 15.0
NARROW_DB, WIDE_DB = 4.6, 1.2
"""What the filter for both crystals costs at 4.8 and 50 kbit/s (radio facts, second sheet, 3.3). The hand-check had a filter as
wide as the bit rate: its figures are compared with the same receiver."""
ORCHARD = {f"C{number:02}" for number in range(1, 16)}
FAR_SIDE = ("B11", "B12", "B15", "B16", "B17")


def orchard(radio: str | None = None) -> DemoLinks:
    """Return all sensors to the mast in the orchard gap."""
    return demo_links("pellimoor_orchard", "Orchard mast", 8.0, HAND_CHECK_POWER_DBM, radio)


def farm(device: str, height_m: float, radio: str | None = None) -> DemoLinks:
    """Return all sensors of the farm to a device."""
    return demo_links("mirrowick_bottom", device, height_m, HAND_CHECK_POWER_DBM, radio)


def test_the_orchard_loses_links_when_leaves_come() -> None:
    """Hand-check: all 22 in winter, six fail in leaf.

    Here five of the sensors among trees fall below 15 dB in leaf, and two more in the maize of August: seven in summer. Four
    more at the western end (C01–C04) are thin in winter already: bare trees keep 45 % of their loss here, over 450 m of orchard,
    with antennas at 0.5 m. C21 (in the steel shed) and C22 (behind it, over a roof of 9 m) are out of reach of this mast all
    year; the hand-check charged one steel wall of 20 dB.
    """
    links = orchard()
    bare, leaf, august = (links.reaching(season, NEEDED_DB - NARROW_DB) for season in ("bare", "leaf", "Aug"))
    assert bare - leaf == {"C05", "C06", "C07", "C08", "C13"}
    assert leaf - august == {"C16", "C17"}
    assert {f"C{number:02}" for number in range(1, 23)} - bare == {"C01", "C02", "C03", "C04", "C21", "C22"}
    assert all(5.0 < links.margin_db(site, "bare") + NARROW_DB < NEEDED_DB for site in ("C01", "C02", "C03", "C04"))
    for site in bare - leaf:
        assert links.margin_db(site, "bare") - links.margin_db(site, "leaf") > 8.0


def test_only_leaves_and_crops_change_with_the_season() -> None:
    links = orchard()
    for site in ("C18", "C19", "C20"):
        # Their paths leave the gap through the eastern poplars alone.
        assert links.margin_db(site, "bare") - links.margin_db(site, "leaf") == pytest.approx(0.0, abs=1.0)
    for site in ("C16", "C17"):
        # In May the maize just reaches into the zone around the line.
        assert links.margin_db(site, "bare") - links.margin_db(site, "leaf") < 4.0
        assert links.margin_db(site, "leaf") - links.margin_db(site, "Aug") > 15.0
        assert links.margin_db(site, "wet") > links.margin_db(site, "Aug")
    for site in ORCHARD:
        assert links.margin_db(site, "wet") < links.margin_db(site, "leaf")
        assert links.margin_db(site, "bare") - links.margin_db(site, "snow") == pytest.approx(10.0)


def test_a_slow_chirp_cures_the_orchard() -> None:
    """Hand-check: SF7 20 of 22 in leaf, SF10 all. Here SF7 17 (the western end stays thin) and SF10 all 22."""
    fast, slow = orchard("css-868-sf7"), orchard("css-868-sf10")
    assert len(fast.reaching("bare", NEEDED_DB)) == 21
    assert len(fast.reaching("leaf", NEEDED_DB)) == 17
    assert len(slow.reaching("leaf", NEEDED_DB)) == 22


def test_the_house_roof_serves_the_valley_and_not_what_lies_behind_the_ridge() -> None:
    """Hand-check: 9 of 18, far side and ford −8…−20 dB. The same nine here; ford −6, far side −12…−14 dB."""
    links = farm("House roof", 8.0)
    assert len(links.reaching("leaf", NEEDED_DB - NARROW_DB)) == 9
    for site in FAR_SIDE:
        assert -20.0 < links.margin_db(site) + NARROW_DB < -8.0
        assert links.chance(site) < 0.05
    assert links.margin_db("B08") < 0.0


def test_the_ridge_relay_mends_what_the_roof_cannot_reach() -> None:
    """Hand-check: 17 by the relay, the 18th (the steel shed) by the roof, all 18 served.

    Here 16 by the relay: the saddle gate B13 hides behind the shoulder of the crest, which stands 7 m above the line (25 dB by
    Bullington's edge), and is reached from the roof with 17 dB. All 18 are served all the same.
    """
    roof, relay = farm("House roof", 8.0), farm("Ridge post", 4.0)
    by_relay, by_roof = (links.reaching("leaf", NEEDED_DB - NARROW_DB) for links in (relay, roof))
    assert len(by_relay) == 16
    assert len(by_relay | by_roof) == 18
    mended = by_relay - by_roof
    assert {*FAR_SIDE, "B07", "B08", "B09", "B18"} <= mended
    house = relay.row("House roof")
    assert relay.table.losses.terrain_db[house] == 0.0
    assert relay.margin_db("House roof") > 25.0 - NARROW_DB


def test_a_slower_radio_does_not_get_over_the_ridge() -> None:
    for radio in ("css-868-sf7", "css-868-sf10"):
        links = farm("House roof", 8.0, radio)
        assert not links.reaching("leaf", NEEDED_DB) & set(FAR_SIDE)


def test_a_higher_house_mast_helps_the_valley_and_not_the_far_side() -> None:
    """Hand-check: 8 to 14 m gives B07–B09 and B18 about 24 dB and the far side at most 1 dB.

    The story is the order: every sensor of the valley gains more than twice what any behind the ridge gains, here 3 to 12 dB
    against less than 1. The valley gains less than by hand because it had less to lose: alders cost no more than the woodland limit
    of ITU-R P.833 or the way over them, not a slab that grows for a kilometre. The plain is not plane (a stream, swells of
    decimetres), so that ground gives the far three the 20·log10(14/8) = 4.86 dB of plane earth to within 1 dB only; the law itself
    is held on plane ground by the test below. The rest is the steel shed beside the house, which 14 m clear. B18 has no trees on
    its way and gains both; B08 and B09 gain little more than the first, because the alders are then charged with 8 and 9 dB more
    than from the lower mast, from which one way over shed and crowns serves for both.
    """
    low, high = farm("House roof", 8.0), farm("House roof", 14.0)

    def saved_db(kind: str, site: str) -> float:
        before, after = getattr(low.table.losses, kind)[low.row(site)], getattr(high.table.losses, kind)[high.row(site)]
        return float(np.ravel(before - after)[0])

    for site in ("B08", "B09", "B18"):
        assert saved_db("terrain_db", site) == pytest.approx(20 * math.log10(14 / 8), abs=1.0)
    assert 3.0 < saved_db("terrain_db", "B07") < 20 * math.log10(14 / 8)
    for site in ("B07", "B08", "B09", "B18"):
        gained_db = high.margin_db(site) - low.margin_db(site)
        assert 3.0 < gained_db <= saved_db("terrain_db", site) + saved_db("building_db", site) + 0.1
    assert high.margin_db("B18") - low.margin_db("B18") == pytest.approx(12.0, abs=1.0)  # own figure: all of both savings
    in_the_valley_db = min(high.margin_db(site) - low.margin_db(site) for site in ("B07", "B08", "B09", "B18"))
    for site in FAR_SIDE:
        assert 0.0 <= high.margin_db(site) - low.margin_db(site) <= min(1.0, 0.5 * in_the_valley_db)
        assert high.margin_db(site) < 0.0
    shed = low.row("B07")
    assert low.table.losses.building_db[shed] > 5.0
    assert high.table.losses.building_db[high.row("B07")] == 0.0


@pytest.mark.parametrize("distance_m", [900.0, 1500.0])
def test_over_plane_ground_a_higher_mast_gains_what_plane_earth_says(distance_m: float) -> None:
    """Textbook plane-earth law, 40·log10 d − 20·log10(h1·h2): masts of 14 m and 8 m differ by 4.86 dB, past 4π·h1·h2/λ (510 m)."""
    land = make_landscape(np.full((21, 801), 50.0), 2.0, error_m=0.0)
    x_m = 40.0 + distance_m
    sites = [make_site("low", 40.0, 21.0, 8.0, Role.RELAY), make_site("high", 40.0, 21.0, 14.0, Role.RELAY)]
    stations, _ = make_stations([*sites, make_site("sensor", x_m, 21.0, 1.0, Role.SENSOR)], land)
    table = compute_links(stations, np.array([[0, 2], [1, 2]]), land, usual_seasons()[:1], SETTINGS)
    low_db, high_db = table.losses.terrain_db
    assert low_db - high_db == pytest.approx(20 * math.log10(14 / 8), abs=0.3)
    assert table.losses.free_space_db + table.losses.terrain_db == pytest.approx(
        [40.0 * math.log10(distance_m) - 20.0 * math.log10(mast_m * 1.0) for mast_m in (8.0, 14.0)], abs=0.8
    )


def test_the_study_window_fails_where_the_chimney_serves() -> None:
    """Hand-check: window 4, chimney 9 of 10 (A02 +2 dB). Here 2 and 8 at the lawful 20 dBm, with A03 and A04 within 1 dB of 15 dB.

    The stone wall counts 18 dB at the window (the table's range is 15–22), the hand-check took 12.
    """
    window, chimney = demo_links("ossaby_terrace", "Study window", 2.0), demo_links("ossaby_terrace", "Chimney", 9.0)
    assert window.reaching("leaf", NEEDED_DB - WIDE_DB) == {"A05", "A09"}
    assert chimney.reaching("leaf", NEEDED_DB - WIDE_DB - 1.0) == {f"A{number:02}" for number in range(1, 11)}
    assert chimney.margin_db("A02") == min(chimney.margin_db(f"A{number:02}") for number in (1, 2, 6, 7, 8, 9, 10))
    assert chimney.margin_db("A02") - window.margin_db("A02") > 25.0


def test_the_coarse_raster_hides_the_terrace_lips_and_says_so() -> None:
    """Hand-check: on 30 m cells A02 jumps from +2 to +24 dB and all ten look fine.

    Here its raster alone would give A02 6 dB more than the fine one. With the relief that such a raster hides part of the gain is
    taken back, and the spread says that it is a guess.
    """
    fine, coarse = demo_links("ossaby_terrace", "Chimney", 9.0), demo_links("ossaby_terrace_30m", "Chimney", 9.0)
    for site in ("A02", "A03"):
        row = coarse.row(site)
        as_drawn_db = coarse.margin_db(site) + float(coarse.table.hidden_relief_db[row])
        assert as_drawn_db > fine.margin_db(site) + 5.0
        assert coarse.table.elevation_spread_db[row] > 7.5 > fine.table.elevation_spread_db[fine.row(site)]
        assert coarse.table.hidden_relief_db[row] > 1.0
    looks_fine = [
        site
        for site in (f"A{number:02}" for number in range(1, 11))
        if coarse.margin_db(site) + float(coarse.table.hidden_relief_db[coarse.row(site)]) >= NEEDED_DB
    ]
    assert len(looks_fine) == 10
    served = [sum(links.chance(site) >= 0.8 for site in looks_fine) for links in (fine, coarse)]
    assert abs(served[0] - served[1]) <= 2


def test_the_table_adds_up_by_hand() -> None:
    """Power, gains and the columns of the printed table make the margin, to a tenth a column."""
    links = farm("House roof", 8.0)
    table = links.table
    lines = {line[:3]: line for line in table_text(links).splitlines() if line[:1] == "B" and line[1:3].isdigit()}
    assert len(lines) == 18
    for site, line in lines.items():
        row = links.row(site)
        figures = [float(text) for text in line[34:].split()]
        free, ground, hill, building, plants, hidden, local, margin = figures[1:9]
        a, b = (table.stations[i] for i in table.pairs[row])
        given_db = a.tx_power_dbm + table.gain_a_dbi[row] + table.gain_b_dbi[row]
        needed_db = max(b.sensitivity_dbm, a.sensitivity_dbm)
        total = given_db - free - ground - hill - building - plants - hidden - local - needed_db
        assert math.isclose(total, margin, abs_tol=0.45)
