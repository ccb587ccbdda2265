"""Why a sensor has no route: one plain cause with its season, the chance against what is asked, and no gap rounded away."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest
from small_property import bank, changed, lay_small_property, lon_lat, usual_sites

from meshplan.records import Plan
from meshplan.reporting.plan_text import plan_text
from meshplan.units import chance_against_asked, decibel_words
from meshplan.workflow.plan import plan_property

MAIZE = ((75.0, 250.0), (540.0, 250.0), (540.0, 400.0), (75.0, 400.0))


def plan_with(folder: Path, *, maize: bool, bed_agl_m: float = 0.5) -> Plan:
    rows = [row for row in usual_sites() if row["name"] in ("Bed", "House")]
    rows = changed(rows, {"Bed": {"x": 560, "antenna_agl_m": bed_agl_m}, "House": {"antenna_agl_m": 3.0}})
    lay_small_property(folder, sites=rows, heights=bank(0.0), settings='cover = "cover.geojson"\ngenerate_relays = 0\n')
    toml = folder / "property.toml"
    toml.write_text(toml.read_text(encoding="utf-8").replace('seasons = "bare"', 'seasons = ["march", "august"]'), encoding="utf-8")
    ring = [list(lon_lat(x, y)) for x, y in (*MAIZE, MAIZE[0])]
    heights = "0; 0; 0; 0; 0.2; 0.9; 2; 2.5; 2.5; 0; 0; 0" if maize else "; ".join(["0"] * 12)
    crop = {"kind": "maize", "height_m": 2.5, "heights_by_month_m": heights}
    shape = {"type": "Feature", "properties": crop, "geometry": {"type": "Polygon", "coordinates": [ring]}}
    (folder / "cover.geojson").write_text(json.dumps({"type": "FeatureCollection", "features": [shape]}), encoding="utf-8")
    return plan_property(folder, radio="fsk-868-50k").plan


def test_a_sensor_short_in_one_season_is_told_which_and_what_grows_there(tmp_path: Path) -> None:
    """In March the maize is not there (its own heights by month), so August alone is to blame, and the maize for what it adds."""
    plan = plan_with(tmp_path, maize=True, bed_agl_m=3.0)
    (miss,) = plan.unserved
    (link,) = plan.links
    march, august = link.seasons
    assert march.chance > plan.required_chance > august.chance
    found = re.fullmatch(
        r"its best link, to House, works in (\d+) % of cases in August only, where 80 % are asked; "
        r"([\d.]+) dB more are lost then to maize on the path",
        miss.reason,
    )
    assert found, miss.reason
    assert float(found[1]) == pytest.approx(100 * august.chance, abs=0.5)
    plants = [sum(item.value_db for item in season.losses if "Plants" in item.name) for season in (march, august)]
    assert float(found[2]) == pytest.approx(plants[1] - plants[0], abs=0.05)


def test_terminal_and_link_page_round_a_lack_alike(tmp_path: Path) -> None:
    plan = plan_with(tmp_path, maize=True, bed_agl_m=3.0)
    (miss,), (link,) = plan.unserved, plan.links
    written = decibel_words(miss.missing_db)
    assert f"{written} dB short to House" in plan_text(plan, [])
    assert f"{written} dB less than asked" in link.sentence
    assert f"{decibel_words(link.margin_db)} dB of margin" in link.sentence


def test_without_the_maize_the_bed_is_served(tmp_path: Path) -> None:
    assert plan_with(tmp_path, maize=False, bed_agl_m=3.0).unserved == ()


@pytest.mark.parametrize(("share", "words"), [(0.7996, "just under 80 %"), (0.79, "79 %"), (0.003, "under 1 %")])
def test_a_gap_is_never_rounded_away(share: float, words: str) -> None:
    assert chance_against_asked(share, 0.8) == words


@pytest.mark.parametrize(("level_db", "words"), [(0.46, "0.5"), (-0.04, "0.0"), (9.94, "9.9"), (9.96, "10"), (-12.4, "-12")])
def test_tenths_below_ten_decibels_and_whole_above(level_db: float, words: str) -> None:
    assert decibel_words(level_db) == words
