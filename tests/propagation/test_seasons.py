"""The year: leaves, crops, snow, and the southern calendar."""

import pytest

from meshplan.errors import InputError
from meshplan.propagation.seasons import (
    CROP_HEIGHT_BY_MONTH_M,
    LEAF_SHARE_BY_MONTH,
    crop_height_m,
    leaf_share,
    months_of_year,
    northern_month,
    usual_seasons,
)


def test_five_seasons_are_looked_at():
    seasons = {season.name: season for season in usual_seasons()}
    assert list(seasons) == ["bare", "leaf", "tall_crop", "wet", "snow"]
    assert seasons["bare"].leaf_share == 0
    assert seasons["tall_crop"].month == 8
    assert seasons["snow"].antenna_loss_db == 5
    assert seasons["leaf"].antenna_loss_db == 0


def test_maize_is_tall_in_august_and_gone_in_october():
    assert crop_height_m("maize", 8) == 2.5
    assert crop_height_m("maize", 10) == 0
    assert crop_height_m("maize", 2) == 0


def test_southern_months_are_half_a_year_away():
    assert [northern_month(month, "south") for month in (1, 6, 7, 12)] == [7, 12, 1, 6]
    assert crop_height_m("maize", 2, "south") == 2.5
    assert leaf_share(7, "south") == leaf_share(1, "north") == 0
    assert {season.name: season.month for season in usual_seasons("south")}["tall_crop"] == 2


def test_own_heights_are_used_as_given():
    heights = tuple(float(month) for month in range(1, 13))
    assert crop_height_m("sunflower", 3, "south", heights) == 3


def test_tables_hold_twelve_months():
    assert len(LEAF_SHARE_BY_MONTH) == 12
    assert all(len(heights) == 12 and min(heights) >= 0 for heights in CROP_HEIGHT_BY_MONTH_M.values())
    assert [season.month for season in months_of_year()] == list(range(1, 13))


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: leaf_share(13), "13 is not a month"),
        (lambda: leaf_share(5, "sout"), "Did you mean 'south'"),
        (lambda: crop_height_m("maiz", 5), "Did you mean 'maize'"),
        (lambda: crop_height_m("oats", 5, "north", (1.0, 2.0)), "2 crop heights"),
    ],
)
def test_mistakes_are_named(call, message):
    with pytest.raises(InputError, match=message):
        call()
