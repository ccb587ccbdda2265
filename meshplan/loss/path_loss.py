"""Loss between pairs of antennas: terrain, buildings, woods and crops put together without counting anything twice.

The rules, each held by a test:

* ground loss comes from the low-antenna rule alone; no two-ray term is added to it; behind a hill the part that the published
  smooth surface hides is given back as a line of its own;
* a wood or crop counts once: through its leaves, over its crowns, or through near the antennas and over the rest, whichever
  loses least;
* what is gone through counts by the part of the Fresnel zone that it fills (`filled_share`), so that a line that rises past tops
  leaves them without a jump;
* a building on the path counts once: over its roof or through two of its walls, whichever loses less;
* a building around an antenna is a wall to pass, not an obstacle on the path;
* a hedge costs no more than the way around its end, where the caller knows that way (`loss.bypass_paths`);
* with a surface model trees and roofs are ground already, so cover adds nothing;
* what stands around an antenna and is in no layer raises the end of the path to its tops (`loss.raised_ends`); it is never added
  to the path from the antenna's own height.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray

from meshplan.kinds import FIELD_CROPS
from meshplan.loss.walls import DEFAULT_WALL, enclosure_loss_db
from meshplan.propagation.behind_hills import SHADOWED_FROM_DB, ground_behind_hill_db
from meshplan.propagation.diffraction import DiffractionLoss
from meshplan.propagation.filled_zone import filled_share, loss_of_stretches_db
from meshplan.propagation.free_space import free_space_loss_db, slant_distance_m
from meshplan.propagation.fresnel import fresnel_radius_m, path_clearance
from meshplan.propagation.ground import Ground, Polarisation
from meshplan.propagation.low_antenna import low_antenna_loss_db
from meshplan.propagation.refraction import earth_bulge_m
from meshplan.propagation.seasons import Season
from meshplan.propagation.vegetation import cover_loss_db, cover_spread_db
from meshplan.terrain.landscape import Landscape
from meshplan.terrain.profile import Profiles
from meshplan.units import Array, Indices

NEAR_AN_ANTENNA_M = 50.0
"""Cover this near an antenna is passed through, not over, in the mixed way (the terminal rule of ITU-R P.452-18)."""

OVER_CROWNS_SPREAD_DB = 3.0
"""Spread of a way over crowns whose height is known to a metre or two (own advice)."""


COVER_PATHS = ("none", "through", "over", "through near the antennas, over the rest")
BUILDING_PATHS = ("none", "over the roof", "through the walls", "inside the same building")
"""The last is set by `links.link_table` for links that never leave a building."""


@dataclass(frozen=True)
class PathSettings:
    """What holds for all paths of a calculation."""

    frequency_mhz: float
    earth_radius_km: float
    polarisation: Polarisation
    ground: Ground


@dataclass(frozen=True, eq=False)
class Ends:
    """The antennas at the two ends of each path; shapes (n_paths,).

    `inside_a` and `inside_b` hold the cover index of the building around an antenna, 0 in the open. `bearing_deg` runs from a to b,
    clockwise from grid north.
    """

    antenna_a_agl_m: Array
    antenna_b_agl_m: Array
    inside_a: Indices
    inside_b: Indices
    bearing_deg: Array


@dataclass(frozen=True, eq=False)
class PathLosses:
    """Losses of a batch of paths in dB, shape (n_paths,) unless said otherwise. Their sum is the path loss."""

    free_space_db: Array
    terrain_db: Array
    """Bare terrain and ground, in excess of free space."""
    terrain_parts: DiffractionLoss
    behind_hill_db: Array
    """Ground loss that low antennas keep behind a hill; depends on bare ground alone and is the same for every path past cover."""
    building_db: Array
    building_path: NDArray[np.uint8]
    """Index into `BUILDING_PATHS`."""
    vegetation_db: Array
    """Shape (n_seasons, n_paths)."""
    vegetation_path: NDArray[np.uint8]
    """Index into `COVER_PATHS`; shape (n_seasons, n_paths)."""
    vegetation_spread_db: Array
    """Shape (n_seasons, n_paths)."""
    bypass_saved_db: Array
    """What the way around the ends of hedges spares the way through them; shape (n_seasons, n_paths)."""
    cover_depth_m: dict[str, Array]
    """Metres through each kind of cover, each by the part of the Fresnel zone that it fills; shape (n_seasons, n_paths)."""
    clearance_share: Array
    """Least clearance in first Fresnel radii over ground, buildings and grown cover; NaN if the path has no inside."""
    clearance_m: Array
    clearance_index: NDArray[np.intp]
    """Sample of least clearance."""
    clearance_of_ground: NDArray[np.bool_]
    """Whether bare ground, not what stands on it, is tightest there."""
    clutter_db: Array
    """What stands around the ends and is in no layer adds to all that; set by `loss.raised_ends`; shape (n_seasons, n_paths)."""
    clutter_spread_a_db: Array
    clutter_spread_b_db: Array
    """How little is known of it at either end; shape (n_seasons, n_paths)."""

    @property
    def total_db(self) -> Array:
        """Path loss, shape (n_seasons, n_paths)."""
        bare = self.free_space_db + self.terrain_db + self.behind_hill_db + self.building_db + self.vegetation_db
        return np.asarray(bare + self.clutter_db)


def path_losses(
    profiles: Profiles,
    ends: Ends,
    landscape: Landscape,
    seasons: Sequence[Season],
    settings: PathSettings,
    *,
    around_db: Mapping[int, Array] | None = None,
) -> PathLosses:
    """Return every loss between pairs of antennas, season by season.

    Parameters
    ----------
    profiles : Profiles
        Land between the pairs.
    ends : Ends
        Their antennas.
    landscape : Landscape
        What the cover index of the profiles refers to.
    seasons : sequence of Season
        At least one.
    settings : PathSettings
        Frequency, refraction, polarisation, ground.
    around_db : mapping of int to ndarray, shape (n_paths,), optional
        Loss of the way around the end of a hedge, by cover index; infinite where there is none. It caps the way through that hedge.

    Returns
    -------
    PathLosses
        NaN for pairs whose profile crosses unknown ground.
    """
    path = _Path(profiles, ends, landscape, settings, around_db or {})
    bare = path.terrain_loss(path.ground)
    terrain_db = bare.total_db
    walls_db = path.through_walls_db(landscape)
    over_roofs_db = np.where(path.has_building, path.loss_where(path.has_building, path.roofs), 0.0)
    over_roofs_db = np.maximum(np.where(path.has_building, over_roofs_db - terrain_db, 0.0), 0.0)

    vegetation, ways, spreads, depths, saved = [], [], [], [], []
    for season in seasons:
        cover = path.cover_in(season, landscape)
        least, way, spread = _cheapest_path(path, cover, terrain_db, over_roofs_db, walls_db)
        vegetation.append(least)
        ways.append(way)
        spreads.append(spread)
        depths.append(cover.depth_by_kind)
        saved.append(np.where(way == 1, cover.bypass_saved_db, np.where(way == 3, cover.near_saved_db, 0.0)))

    building_db = np.minimum(over_roofs_db, walls_db)
    building_path = np.where(~path.has_building, 0, np.where(over_roofs_db <= walls_db, 1, 2)).astype(np.uint8)
    vegetation_db = np.stack([np.maximum(total - terrain_db - building_db, 0.0) for total in vegetation])
    kinds = sorted({kind for depth in depths for kind in depth})
    nothing = np.zeros(path.count)
    clearance = path_clearance(
        path.along,
        path.tallest,
        path.antenna_a_amsl,
        path.antenna_b_amsl,
        settings.frequency_mhz,
        earth_radius_km=settings.earth_radius_km,
    )
    at = np.maximum(clearance.index, 0)[:, None]
    standing = np.take_along_axis(path.tallest - path.ground, at, axis=1)[:, 0]
    return PathLosses(
        free_space_db=path.free_space_db,
        terrain_db=terrain_db,
        terrain_parts=bare,
        behind_hill_db=path.behind_hill_db(bare),
        building_db=building_db,
        building_path=building_path,
        vegetation_db=vegetation_db,
        vegetation_path=np.stack(ways),
        vegetation_spread_db=np.stack(spreads),
        bypass_saved_db=np.stack(saved),
        cover_depth_m={kind: np.stack([depth.get(kind, nothing) for depth in depths]) for kind in kinds},
        clearance_share=clearance.fraction,
        clearance_m=clearance.clearance_m,
        clearance_index=clearance.index,
        clearance_of_ground=standing <= 0.0,
        clutter_db=np.zeros(vegetation_db.shape),
        clutter_spread_a_db=np.zeros(vegetation_db.shape),
        clutter_spread_b_db=np.zeros(vegetation_db.shape),
    )


@dataclass(frozen=True, eq=False)
class _Cover:
    """Cover of one season along the paths: crowns above ground, and the loss of going through."""

    crown_m: Array
    through_db: Array
    through_spread_db: Array
    near_db: Array
    near_spread_db: Array
    bypass_saved_db: Array
    near_saved_db: Array
    depth_by_kind: dict[str, Array]
    on_path: NDArray[np.bool_]


class _Path:
    """The batch with what all steps need; arrays of shape (n_paths, n_samples)."""

    def __init__(
        self, profiles: Profiles, ends: Ends, landscape: Landscape, settings: PathSettings, around_db: Mapping[int, Array]
    ) -> None:
        self.settings = settings
        self.around_db = around_db
        self.profiles = profiles
        self.count = len(profiles.distance_m)
        self.ends = ends
        self.along = profiles.along_m
        self.ground = profiles.ground_amsl_m
        self.antenna_a_amsl = self.ground[:, 0] + ends.antenna_a_agl_m
        self.antenna_b_amsl = self.ground[:, -1] + ends.antenna_b_agl_m
        distance = profiles.distance_m
        self.free_space_db = free_space_loss_db(
            slant_distance_m(distance, self.antenna_a_amsl - self.antenna_b_amsl), settings.frequency_mhz
        )
        share = np.linspace(0.0, 1.0, profiles.samples)
        bulge = earth_bulge_m(self.along, distance[:, None], settings.earth_radius_km)
        self.ray = self.antenna_a_amsl[:, None] * (1.0 - share) + self.antenna_b_amsl[:, None] * share - bulge
        around = (profiles.cover_index == ends.inside_a[:, None]) | (profiles.cover_index == ends.inside_b[:, None])
        self.cover_index = np.where(around & (profiles.cover_index > 0), 0, profiles.cover_index).astype(np.intp)
        # The first and last sample stand for half a step, whose middle lies a quarter of a step from the antenna.
        from_ends = np.clip(self.along, 0.25 * profiles.step_m[:, None], (distance - 0.25 * profiles.step_m)[:, None])
        # Likewise a sample on the border of what is near an antenna belongs to both sides of it.
        step = np.where(profiles.step_m > 0.0, profiles.step_m, 1.0)[:, None]
        to_border = NEAR_AN_ANTENNA_M - np.minimum(self.along, distance[:, None] - self.along)
        self.near_share = np.clip(to_border / step + 0.5, 0.0, 1.0)
        self.zone_m = fresnel_radius_m(1, from_ends, distance[:, None] - from_ends, settings.frequency_mhz)
        building = landscape.building_covers
        self.tallest_by_cover = landscape.tallest_covers_m
        self.is_building = building[self.cover_index]
        self.has_building: NDArray[np.bool_] = np.asarray(self.is_building[:, 1:-1].any(axis=1))
        self.standing = self._standing(self.tallest_by_cover)
        self.roofs = self.ground + np.where(self.is_building, self.standing, 0.0)
        self.tallest = self.ground + self.standing
        self.plants = _Plants(self, ~building)
        self._over_crowns: dict[bytes, tuple[Array, Array, Array, Array]] = {}

    def _standing(self, heights_m: Array) -> Array:
        """Height of what stands on the ground, from the cover or, where a surface raster saw it, from there."""
        return self.standing_m(heights_m, self.cover_index, self.profiles.canopy_m)

    def standing_m(self, heights_m: Array, cover_index: NDArray[np.integer], canopy_m: Array | None) -> Array:
        """The same for any places of the given cover."""
        standing = heights_m[cover_index]
        if canopy_m is None:
            return np.asarray(standing)
        full = self.tallest_by_cover[cover_index]
        share = np.divide(standing, full, out=np.zeros_like(standing), where=full > 0.0)
        return np.asarray(np.where((cover_index > 0) & np.isfinite(canopy_m), canopy_m * share, standing))

    def terrain_loss(self, obstacle: Array, rows: NDArray[np.bool_] | slice = slice(None)) -> DiffractionLoss:
        """Loss over a surface in excess of free space; bare ground always sets the smooth part."""
        return low_antenna_loss_db(
            self.along[rows],
            self.ground[rows],
            obstacle[rows],
            self.antenna_a_amsl[rows],
            self.antenna_b_amsl[rows],
            self.settings.frequency_mhz,
            earth_radius_km=self.settings.earth_radius_km,
            polarisation=self.settings.polarisation,
            ground=self.settings.ground,
        )

    def behind_hill_db(self, bare: DiffractionLoss) -> Array:
        """Ground loss hidden by the published smooth surface where bare ground blocks the path; zero elsewhere."""
        hidden = np.where(np.isnan(bare.total_db), np.nan, 0.0)
        rows = bare.bullington_actual_db > SHADOWED_FROM_DB
        if rows.any():
            parts = {item.name: getattr(bare, item.name)[rows] for item in fields(bare)}
            hidden[rows] = ground_behind_hill_db(
                self.along[rows],
                self.ground[rows],
                self.antenna_a_amsl[rows],
                self.antenna_b_amsl[rows],
                self.settings.frequency_mhz,
                DiffractionLoss(**parts),
                earth_radius_km=self.settings.earth_radius_km,
                polarisation=self.settings.polarisation,
                ground=self.settings.ground,
            )
        return hidden

    def loss_where(self, rows: NDArray[np.bool_], obstacle: Array) -> Array:
        """The same total for some of the paths; infinite for the others."""
        losses = np.full(self.count, np.inf)
        if rows.any():
            losses[rows] = self.terrain_loss(obstacle, rows).total_db
        return losses

    def over_crowns_db(self, crown_m: Array, rows: NDArray[np.bool_]) -> tuple[Array, Array, Array, Array]:
        """Return the loss over roofs and all crowns, over roofs and far crowns, over all and over far crowns without the roofs.

        Many months have the same crowns: those are worked out once.
        """
        key = crown_m.tobytes() + rows.tobytes()
        if key not in self._over_crowns:
            both = rows & self.has_building
            far_m = crown_m * (1.0 - self.near_share)
            self._over_crowns[key] = (
                self.loss_where(rows, self.roofs + crown_m),
                self.loss_where(rows, self.roofs + far_m),
                self.loss_where(both, self.ground + crown_m),
                self.loss_where(both, self.ground + far_m),
            )
        return self._over_crowns[key]

    def through_walls_db(self, landscape: Landscape) -> Array:
        """Loss of the two walls of every building on the straight line, by the part of the Fresnel zone that it fills."""
        losses = np.zeros(self.count)
        rows = np.flatnonzero(self.is_building.any(axis=1))
        if not len(rows):
            return losses
        walls = np.zeros(len(landscape.covers) + 1)
        for number in np.unique(self.cover_index[self.is_building]):
            wall = landscape.covers[number - 1].wall or DEFAULT_WALL
            walls[number] = 2.0 * enclosure_loss_db(wall, self.settings.frequency_mhz)
        share = filled_share(self.roofs[rows] - self.ray[rows], self.zone_m[rows])
        losses[rows] = loss_of_stretches_db(np.where(self.is_building[rows], self.cover_index[rows], 0), share, walls)
        return losses

    def cover_in(self, season: Season, landscape: Landscape) -> _Cover:
        """Crowns and through-losses of one season."""
        heights_m = landscape.cover_heights_m(season.month)
        standing = np.where(self.is_building, 0.0, self._standing(heights_m))
        metres = self.plants.metres_by_cover(self, heights_m)
        all_db, near_db = np.zeros(self.count), np.zeros(self.count)
        all_variance, near_variance = np.zeros(self.count), np.zeros(self.count)
        all_saved, near_saved = np.zeros(self.count), np.zeros(self.count)
        depth_by_kind: dict[str, Array] = {}
        groups, group_of = landscape.plant_groups
        by_group: dict[int, dict[int, tuple[Array, Array]]] = {}
        for number, found in metres.items():
            by_group.setdefault(int(group_of[number]), {})[number] = found
        passable = {int(group_of[number]) for number in self.around_db}
        for group in sorted(by_group.keys() - {-1}):
            (kind, row_azimuth_deg), here = groups[group], by_group[group]
            depth = np.sum([depth for depth, _ in here.values()], axis=0)
            near_depth = np.sum([near for _, near in here.values()], axis=0)
            angle = None if row_azimuth_deg is None else self.ends.bearing_deg - row_azimuth_deg
            loss, spread = self._through(kind, depth, season, angle)
            near_loss, near_spread = self._through(kind, near_depth, season, angle)
            if group in passable:
                each = {number: depth for number, (depth, _) in here.items()}
                each_near = {number: near for number, (_, near) in here.items()}
                loss, spread, spared = self._capped(kind, each, season, loss, spread)
                near_loss, near_spread, near_spared = self._capped(kind, each_near, season, near_loss, near_spread)
                all_saved, near_saved = all_saved + spared, near_saved + near_spared
            all_db, near_db = all_db + loss, near_db + near_loss
            all_variance, near_variance = all_variance + spread**2, near_variance + near_spread**2
            depth_by_kind[kind] = depth_by_kind.get(kind, 0.0) + depth
        return _Cover(
            crown_m=standing,
            through_db=all_db,
            through_spread_db=np.sqrt(all_variance),
            near_db=near_db,
            near_spread_db=np.sqrt(near_variance),
            bypass_saved_db=all_saved,
            near_saved_db=near_saved,
            depth_by_kind=depth_by_kind,
            on_path=all_db > 0.0,
        )

    def _capped(
        self, kind: str, depth_by_cover: Mapping[int, Array], season: Season, loss: Array, spread: Array
    ) -> tuple[Array, Array, Array]:
        """Return loss and spread with each hedge taken through or around, whichever loses less, and what that spares."""
        one_by_one = np.zeros(self.count)
        for number, depth in depth_by_cover.items():
            through, _ = self._through(kind, depth, season, None)
            one_by_one += np.minimum(through, self.around_db.get(number, np.inf))
        least = np.minimum(loss, one_by_one)
        share = np.divide(least, loss, out=np.ones_like(loss), where=loss > 0.0)
        return least, spread * share, loss - least

    def _through(self, kind: str, depth: Array, season: Season, angle: Array | None) -> tuple[Array, Array]:
        frequency = self.settings.frequency_mhz
        leaf = 1.0 if kind in FIELD_CROPS else season.leaf_share
        loss = cover_loss_db(kind, depth, frequency, leaf_share=leaf, wet=season.wet, row_angle_deg=angle)
        full = cover_loss_db(kind, depth, frequency, row_angle_deg=angle)
        spread = cover_spread_db(kind, depth, frequency, full)
        return loss, spread * np.divide(loss, full, out=np.zeros_like(loss), where=full > 0.0)


class _Plants:
    """Pieces of cover other than buildings along a batch of paths; arrays of shape (n_pieces,)."""

    def __init__(self, path: _Path, is_plant: NDArray[np.bool_]) -> None:
        pieces = path.profiles.pieces
        keep = is_plant[pieces.cover_index]
        self.pair, sample = pieces.pair[keep], pieces.sample[keep]
        self.cover_index = pieces.cover_index[keep].astype(np.intp)
        self.canopy_m = None if pieces.canopy_m is None else pieces.canopy_m[keep]
        self.ray_agl_m = path.ray[self.pair, sample] - path.ground[self.pair, sample]
        self.zone_m = path.zone_m[self.pair, sample]
        last = path.profiles.samples - 1
        step_m = path.profiles.step_m[self.pair]
        self.metres = pieces.share[keep] * step_m * np.where((sample == 0) | (sample == last), 0.5, 1.0)
        self.near_share = path.near_share[self.pair, sample]

    def metres_by_cover(self, path: _Path, heights_m: Array) -> dict[int, tuple[Array, Array]]:
        """Return the metres through each cover on the paths, and those of them near an antenna; shape (n_paths,) each."""
        crown_m = path.standing_m(heights_m, self.cover_index, self.canopy_m)
        share = np.where(crown_m > 0.0, filled_share(crown_m - self.ray_agl_m, self.zone_m), 0.0)
        # Unknown ground makes the whole path unknown; here it only must not spread.
        metres = np.nan_to_num(self.metres * share)
        found = {}
        numbers = np.unique(self.cover_index[metres > 0.0])
        order = np.argsort(self.cover_index, kind="stable")  # samples of each cover, in their order on the paths
        ends = np.searchsorted(self.cover_index[order], [numbers, numbers + 1])
        for number, first, last in zip(numbers, *ends, strict=True):
            here = order[first:last]
            near_metres = (metres * self.near_share)[here]
            depth = np.bincount(self.pair[here], metres[here], minlength=path.count)
            near = np.bincount(self.pair[here], near_metres, minlength=path.count)
            found[int(number)] = np.asarray(depth, dtype=float), np.asarray(near, dtype=float)
        return found


def _cheapest_path(
    path: _Path, cover: _Cover, terrain_db: Array, over_roofs_db: Array, walls_db: Array
) -> tuple[Array, NDArray[np.uint8], Array]:
    """Return the least excess over free space, the way past the cover, and the spread of that way."""
    rows = cover.on_path
    no_building = np.where(path.has_building, 0.0, np.inf)
    over_all, over_far, walled_all, walled_far = path.over_crowns_db(cover.crown_m, rows)
    ways = np.stack(
        [
            terrain_db + over_roofs_db + cover.through_db,
            over_all,
            over_far + cover.near_db,
            terrain_db + walls_db + cover.through_db + no_building,
            walled_all + walls_db,
            walled_far + walls_db + cover.near_db,
        ]
    )
    best = np.argmin(np.where(np.isnan(ways), np.inf, ways), axis=0)
    least = np.take_along_axis(ways, best[None, :], axis=0)[0]
    least = np.where(np.isnan(terrain_db), np.nan, least)
    kind = best % 3
    way = np.where(rows, kind + 1, 0).astype(np.uint8)
    spread = np.choose(
        kind,
        [
            cover.through_spread_db,
            np.full(path.count, OVER_CROWNS_SPREAD_DB),
            np.hypot(cover.near_spread_db, OVER_CROWNS_SPREAD_DB),
        ],
    )
    return least, way, np.where(rows, spread, 0.0)
