"""Ends below the tops around them: the path from the tops and the loss of the end, against an integral over two screens."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from landscapes import make_landscape
from link_stations import BARE, LEAF, links_between, make_site
from screens import two_screens_loss_db

from meshplan.loss.end_clutter import assumed_clutter, named_clutter
from meshplan.loss.raised_ends import EndTops, end_tops, raised_losses
from meshplan.propagation.clutter import CHANCE_LENGTH_M, LAND_CLASSES, LEAFLESS_SHARE, MOST_END_LOSS_DB, end_loss_db
from meshplan.propagation.knife_edge import knife_edge_loss_db
from meshplan.records import Role, Site
from meshplan.terrain.mapped_land import MappedLand

FAR_BEHIND_M = 1500.0
LOW_M = 1.5
GRAZING_DB = 6.03


def edge_db(over_m: float, before_m: float, behind_m: float, wavelength_m: float) -> float:
    """Loss of one edge so far over the line."""
    return float(knife_edge_loss_db(over_m * np.sqrt(2.0 / wavelength_m * (1.0 / before_m + 1.0 / behind_m))))


@dataclass(frozen=True)
class Case:
    """An antenna 1.5 m up, a row `tops_m` high at `row_m`, a hill at `hill_m`, the far antenna at the height of the row."""

    mhz: float
    tops_m: float
    row_m: float
    hill_m: float
    nu: float
    """Of the hill from the tops."""

    @property
    def wavelength_m(self) -> float:
        return 299.792458 / self.mhz

    @property
    def end_m(self) -> float:
        return self.hill_m + FAR_BEHIND_M

    @property
    def hill_top_m(self) -> float:
        factor = np.sqrt(2.0 / self.wavelength_m * (1.0 / (self.hill_m - self.row_m) + 1.0 / FAR_BEHIND_M))
        return self.tops_m + self.nu / float(factor)

    def hill_db(self, start_m: float) -> float:
        """Loss of the hill alone from a height at the start."""
        line = start_m + (self.tops_m - start_m) * self.hill_m / self.end_m
        return edge_db(self.hill_top_m - line, self.hill_m, FAR_BEHIND_M, self.wavelength_m)

    def row_db(self) -> float:
        """Loss of the row alone towards the next edge: the hill, or the far antenna where that stands higher in the sky."""
        to_hill, to_end = (self.hill_top_m - LOW_M) / self.hill_m, (self.tops_m - LOW_M) / self.end_m
        next_m, slope = (self.hill_m, to_hill) if to_hill > to_end else (self.end_m, to_end)
        return edge_db(self.tops_m - LOW_M - slope * self.row_m, self.row_m, next_m - self.row_m, self.wavelength_m)

    def rigorous_db(self) -> float:
        row, hill = (self.row_m, self.tops_m), (self.hill_m, self.hill_top_m)
        return two_screens_loss_db(row, hill, LOW_M, (self.end_m, self.tops_m), self.mhz)


CASES = [
    Case(mhz, tops, row, hill, nu)
    for mhz in (433.0, 868.0, 2400.0)
    for tops in (3.0, 10.0)
    for row in (10.0, 27.0, 100.0)
    for hill, nu in ((200.0, 1.0), (1000.0, -1.0), (1000.0, 2.0), (5000.0, 3.0))
]


@pytest.fixture(scope="module")
def errors() -> dict[str, np.ndarray]:
    """Error of each way to put row and hill together."""
    found: dict[str, list[float]] = {name: [] for name in ("raised", "as links do", "sum", "root", "larger")}
    for case in CASES:
        truth, row, own, raised = case.rigorous_db(), case.row_db(), case.hill_db(LOW_M), case.hill_db(case.tops_m)
        found["raised"].append(raised + row - truth)
        found["as links do"].append(as_links_do_db(case) - truth)
        found["sum"].append(own + row - truth)
        found["root"].append(np.hypot(own, row) - truth)
        found["larger"].append(max(own, row) - truth)
    return {name: np.array(values) for name, values in found.items()}


def as_links_do_db(case: Case) -> float:
    """The composition of the package with the loss of ITU-R P.2108; behind a single row the path grazes no further roofs."""

    def excess_db(a_agl_m: np.ndarray, _: np.ndarray) -> np.ndarray:
        return np.array([[case.hill_db(float(a_agl_m[0])) + GRAZING_DB]])

    one = np.ones(1)
    row = EndTops(LOW_M * one, np.full((3, 1), case.tops_m), case.row_m * one, one, np.array([True]))
    none = EndTops(case.tops_m * one, np.zeros((3, 1)), one, one, np.array([False]))
    bare = np.array([[case.hill_db(LOW_M)]])
    added = raised_losses(bare, excess_db, np.zeros(1), row, none, case.mhz, np.array([case.end_m]), np.array([[1.0]]))
    return float(bare[0, 0] + added.extra_db[0, 0])


def mean_and_rms(values: np.ndarray) -> tuple[float, float]:
    return float(values.mean()), float(np.sqrt(np.mean(values**2)))


def test_the_integral_knows_what_is_known_exactly() -> None:
    # One edge in the line loses 6.02 dB; of two in line, with three equal stretches, a third of the field passes: 9.54 dB.
    assert two_screens_loss_db((100.0, -60.0), (500.0, 0.0), 0.0, (1000.0, 0.0), 868.0) == pytest.approx(6.02, abs=0.15)
    assert two_screens_loss_db((400.0, 0.0), (800.0, 0.0), 0.0, (1200.0, 0.0), 868.0) == pytest.approx(9.54, abs=0.25)


def test_the_path_from_the_tops_is_the_composition_that_holds(errors: dict[str, np.ndarray]) -> None:
    """Mean and rms here, 72 cases: raised +0.2/1.1, sum +2.0/3.0, root −5.8/7.6, larger −9.4/12.3 dB."""
    mean, rms = mean_and_rms(errors["raised"])
    assert abs(mean) < 1.0
    assert rms < 1.6
    for worse in ("sum", "root", "larger"):
        assert mean_and_rms(errors[worse])[1] > 1.5 * rms, worse
    assert mean_and_rms(errors["sum"])[0] > 1.0
    assert mean_and_rms(errors["larger"])[0] < -6.0


def test_links_put_together_as_the_study_does(errors: dict[str, np.ndarray]) -> None:
    """The end loss of ITU-R P.2108 looks level, not at the next edge, and stops at 20 dB: +0.9/2.6 dB here."""
    mean, rms = mean_and_rms(errors["as links do"])
    assert abs(mean) < 1.6
    assert rms < 3.0


RIDGE = np.full((60, 300), 100.0) + 18.0 * np.exp(-(((np.arange(300) - 150.0) / 12.0) ** 2))[None, :]
STREET = make_site("street", 100, 150, 1.5)
GATEWAY = make_site("gateway", 1300, 150, 6.0, Role.GATEWAY)


def extra_db(
    kind: str | None, *, mapped: bool = True, site: Site = STREET, gateway: Site = GATEWAY, ground: np.ndarray = RIDGE
) -> float:
    """What clutter add to the link from the site to the gateway."""
    landscape = make_landscape(ground)
    if not mapped:
        landscape = replace(landscape, mapped=MappedLand((), "rural"))
    table = links_between([replace(site, clutter=kind), gateway], landscape, seasons=(LEAF,))
    return float(table.losses.clutter_db[0, 0])


def test_behind_a_hill_the_end_loss_is_not_added_to_the_steep_path() -> None:
    """The wrong answer before: the whole loss of ITU-R P.2108 on top of ground and angle from the antenna's own height."""
    added = float(end_loss_db(15.0, 1.5, 868.0))
    assert 3.0 < extra_db("urban") < added - 2.0


def test_never_less_than_the_bare_path() -> None:
    for distance in (2.0, 5.0, 30.0):
        near = make_site("near", 100 + distance, 150, 1.5, Role.GATEWAY)
        assert extra_db(None, mapped=False, gateway=near, ground=np.full((60, 300), 100.0)) >= 0.0
    high = replace(STREET, antenna_agl_m=9.9)
    assert 0.0 <= extra_db("suburban", site=high) < 0.5


@given(
    rise=st.floats(-0.05, 0.05),
    distance_m=st.floats(50.0, 5000.0),
    mhz=st.sampled_from([169.0, 433.0, 868.0, 2440.0]),
)
def test_nothing_jumps_where_the_antenna_passes_the_tops(rise: float, distance_m: float, mhz: float) -> None:
    end = end_tops([10.0 + rise], [named_clutter("suburban")], np.zeros(1, dtype=np.intp))
    assert float(end.loss_db(1, mhz, distance_m, 1.0)[0]) < 0.4
    assert float(end.raised_m(1)[0]) - (10.0 + rise) <= 0.05 + 1e-9


def test_an_end_loses_at_most_the_ceiling_and_less_without_leaves() -> None:
    for name, land in LAND_CLASSES.items():
        if not land.tops_m:
            continue
        around = assumed_clutter(name, 1.0)
        end = end_tops([1.5], [around], np.zeros(1, dtype=np.intp))
        full, bare = (float(end.loss_db(2, 868.0, 1e6, leaf)[0]) for leaf in (1.0, 0.0))
        assert full <= MOST_END_LOSS_DB
        assert bare == pytest.approx(full * (LEAFLESS_SHARE if name in ("rural", "suburban") else 1.0))


def test_short_links_ramp_in() -> None:
    end = end_tops([1.5], [assumed_clutter("rural", 1.0)], np.zeros(1, dtype=np.intp))
    full = float(end.loss_db(1, 868.0, 1e9, 1.0)[0])
    assert full == pytest.approx(18.6, abs=0.1)  # 10 m, 27 m, 1.5 m at 868 MHz: by hand from ITU-R P.2108-1 §3.1
    assert float(end.loss_db(1, 868.0, CHANCE_LENGTH_M, 1.0)[0]) == pytest.approx(full * (1.0 - np.exp(-1.0)))
    wide = end_tops([1.5], [assumed_clutter("rural", 1.0, clearing_m=100.0)], np.zeros(1, dtype=np.intp))
    assert float(wide.loss_db(1, 868.0, 1e9, 1.0)[0]) == pytest.approx(13.2, abs=0.1)
    narrow = end_tops([1.5], [assumed_clutter("rural", 1.0, clearing_m=5.0)], np.zeros(1, dtype=np.intp))
    assert float(narrow.loss_db(1, 868.0, 1e9, 1.0)[0]) == full


def test_the_sampling_step_changes_nothing() -> None:
    """No layer lies on the land: a plane with four times the samples gives the same loss."""
    losses = []
    for cell_m in (5.0, 20.0):
        count = int(1500.0 / cell_m)
        plane = np.broadcast_to(100.0 + 0.02 * (np.arange(count) + 0.5) * cell_m, (int(300.0 / cell_m), count))
        landscape = replace(make_landscape(plane, cell_m), mapped=MappedLand((), "rural"))
        losses.append(links_between([STREET, GATEWAY], landscape, seasons=(BARE, LEAF)).losses.clutter_db)
    assert losses[0].min() > 5.0
    assert np.abs(losses[0] - losses[1]).max() < 0.05
