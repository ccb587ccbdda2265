"""From the sites of a property to stations: which radio, antenna, cable and wall each end of a link has."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from typing import Any, TypeVar

from shapely.geometry import Point

from meshplan.errors import InputError, MeshplanError, nearest_name, raise_faults
from meshplan.kinds import FIELD_CROPS, PLANT_KINDS
from meshplan.loss.end_clutter import assumed_clutter, named_clutter
from meshplan.loss.indoor_legs import OWN_LIDS, ROOM_WORDS, room_kind
from meshplan.loss.path_loss import NEAR_AN_ANTENNA_M
from meshplan.loss.walls import DEFAULT_WALL, enclosure_loss_db, enclosure_source, enclosure_spread_db
from meshplan.propagation.cables import cable_loss_db
from meshplan.propagation.clutter import CLUTTER_MOST_MHZ
from meshplan.propagation.noise import usual_noise_rise_db
from meshplan.records import Power, Role, Site
from meshplan.records.antenna import AntennaClass, CableClass
from meshplan.records.clutter import EndClutter
from meshplan.records.radio import RadioMode
from meshplan.records.station import Station
from meshplan.settings import CostSettings, PropertySettings
from meshplan.terrain.geodesy import grid_north_deg
from meshplan.terrain.landscape import Landscape
from meshplan.terrain.profile import cover_at, ground_at

FREE_MAST_M = 2.0
"""Antenna height that costs nothing: a post or a wall."""

CONNECTOR_PAIRS = 2
"""Mated pairs on a run of cable, one at each end."""

_Entry = TypeVar("_Entry")

PowerFor = Callable[[Site, AntennaClass, float, RadioMode], float]
"""Transmit power in dBm for a site, its antenna, its cable loss and its radio."""

Rebuild = Callable[[Station, Site], Station | None]
"""The station that a plan makes of the changed row of a station: at the height that the row then names where that is what changed,
else at the height of the station; None where the rules allow no such device."""


def build_stations(
    sites: Sequence[Site],
    landscape: Landscape,
    radio: RadioMode,
    antennas: Mapping[str, AntennaClass],
    cables: Mapping[str, CableClass],
    settings: PropertySettings,
    power_for: PowerFor,
) -> tuple[tuple[Station, ...], tuple[str, ...]]:
    """Return a station for each site and offered height, and what was assumed.

    Parameters
    ----------
    sites : sequence of Site
    landscape : Landscape
        Tells ground height and buildings around sites.
    radio : RadioMode
        Radio of all sites.
    antennas, cables : mapping
        Catalogue by name.
    settings : PropertySettings
    power_for : callable
        Power that law and radio allow at a site.

    Raises
    ------
    InputError
        For unknown antenna or cable names, all at once.
    """
    assumptions: dict[str, None] = {}
    faults: list[MeshplanError] = []
    stations = []
    offered = Counter(site.name for site in sites)
    heard = assumptions
    for site in sites:
        # What a forwarding sensor is said to be is said once, of the sensor.
        assumptions = {} if site.same_as else heard
        fitted = Role.SENSOR if site.same_as else site.role
        antenna_key = site.antenna or getattr(settings.antenna, fitted.value) or radio.default_antenna
        cable_key = site.cable or settings.antenna.cable
        antenna = _look_up(antenna_key, antennas, "antenna", site, faults)
        cable = _look_up(cable_key, cables, "cable", site, faults)
        if antenna is None or cable is None:
            continue
        cable_m = site.cable_m if site.cable_m is not None else getattr(settings.antenna, f"{fitted.value}_cable_m")
        feed_db = 0.0
        if cable_m > 0.0:
            feed_db = float(cable_loss_db(cable_m, radio.frequency_mhz, cable.points, connector_pairs=CONNECTOR_PAIRS))
        heights = (site.antenna_agl_m,) if site.role is Role.SENSOR else site.heights_agl_m
        for height_m in heights:
            key = _key(site, height_m, several_roles=offered[site.name] > 1, several_heights=len(heights) > 1)
            clutter = _clutter_of(site, radio, landscape, assumptions)
            if antenna.is_directional and site.azimuth_deg is None:
                assumptions[
                    f"The directional antenna of {site.name} has no azimuth: each of its links is computed as if it pointed at "
                    "that partner. It can point at one of them only; write its azimuth once that is settled."
                ] = None
            stations.append(
                Station(
                    key=key,
                    site=site,
                    antenna_agl_m=height_m,
                    radio=radio,
                    antenna=antenna,
                    cable_key=cable_key,
                    cable_m=cable_m,
                    feed_loss_db=feed_db,
                    box_loss_db=settings.antenna.box_loss_db,
                    other_loss_db=site.extra_loss_db,
                    tx_power_dbm=_power_dbm(site, antenna, feed_db, radio, power_for),
                    cost=0.0 if site.role is Role.SENSOR else candidate_cost(site, height_m, settings.cost),
                    clutter=clutter,
                    polarisation=_polarisation_of(site, settings, assumptions),
                    **_enclosure(site, height_m, radio, landscape, assumptions),
                    ground_amsl_m=float(ground_at(landscape, site.x_m, site.y_m)),
                    grid_north_deg=_grid_north_deg(site, antenna, landscape),
                    can_speak=not (radio.tx_only and site.role is not Role.SENSOR),
                    can_hear=not (radio.tx_only and site.role is Role.SENSOR),
                )
            )
    raise_faults(faults)
    _note_shared_buildings([station for station in stations if not station.site.same_as], landscape, heard)
    return tuple(stations), tuple(heard)


def _power_dbm(site: Site, antenna: AntennaClass, feed_db: float, radio: RadioMode, power_for: PowerFor) -> float:
    """Return the power of a site; a sensor that forwards never sends louder than it sends its own readings."""
    power_dbm = power_for(site, antenna, feed_db, radio)
    if not site.same_as:
        return power_dbm
    return min(power_dbm, power_for(replace(site, name=site.same_as, role=Role.SENSOR), antenna, feed_db, radio))


def at_height(station: Station, height_m: float, landscape: Landscape) -> tuple[Station, tuple[str, ...]]:
    """Return a station with its antenna at another height, below or above the roof around it, and what was assumed.

    The wall of a building that the landscape shows goes where the antenna rises above the roof and comes where it sinks below
    it, as for a site of that height; what the user named for the site stays.
    """
    before, after = (_building_around(station.site, each, landscape, {})[0] for each in (station.antenna_agl_m, height_m))
    moved = replace(station, antenna_agl_m=height_m)
    if before == after:
        return moved, ()
    assumptions: dict[str, None] = {}
    enclosure = _enclosure(station.site, height_m, station.radio, landscape, assumptions)
    if not after:
        building = landscape.covers[before - 1]
        assumptions[f"At {height_m:g} m {station.site.name} stands above the roof of {building.name}: no wall is counted."] = None
    return replace(moved, **enclosure), tuple(assumptions)


def inside_sentence(station: Station, landscape: Landscape) -> str:
    """Return what was assumed of the building around a station; empty in the open or where the user named the walls."""
    assumptions: dict[str, None] = {}
    _building_around(station.site, station.antenna_agl_m, landscape, assumptions)
    return next(iter(assumptions), "")


def _enclosure(site: Site, height_m: float, radio: RadioMode, landscape: Landscape, assumptions: dict[str, None]) -> dict[str, Any]:
    """Return the fields of a station that hang on the building around its antenna: walls, and the noise of a house."""
    inside, wall = _building_around(site, height_m, landscape, assumptions)
    noise_db = site.noise_rise_db
    if noise_db is None:
        noise_db = float(usual_noise_rise_db(radio.frequency_mhz, near_buildings=bool(wall)))
    walls = wall.split("+") if wall else []
    return {
        "inside": inside,
        "noise_rise_db": noise_db,
        "entry_loss_db": sum(enclosure_loss_db(name, radio.frequency_mhz) for name in walls),
        "entry_spread_db": sum(enclosure_spread_db(name, radio.frequency_mhz) ** 2 for name in walls) ** 0.5,
        "entry_source": "; ".join(dict.fromkeys(enclosure_source(name) for name in walls)),
        "lid_loss_db": sum(enclosure_loss_db(name, radio.frequency_mhz) for name in walls if name in OWN_LIDS),
    }


def _polarisation_of(site: Site, settings: PropertySettings, assumptions: dict[str, None]) -> str:
    usual = settings.antenna.polarisation
    if site.polarisation not in (None, usual):
        assumptions[
            f"The antenna of {site.name} stands {site.polarisation}: links to antennas that stand otherwise lose by it; the ground "
            f"under its links is taken as for {usual} ones."
        ] = None
    return site.polarisation or usual


def _clutter_of(site: Site, radio: RadioMode, landscape: Landscape, assumptions: dict[str, None]) -> EndClutter | None:
    """Return what stands around a site and is in no layer: what the user named, else the class of unmapped land.

    None where the landscape holds it already: it must not be counted twice. The wall of a building around the antenna is counted
    beside it: ITU-R P.2109 tells the loss into a building against the open air outside, which stands among its neighbours.
    """
    unmapped = float(landscape.mapped.unmapped_share(site.x_m, site.y_m))
    if site.clutter is None:
        if unmapped and radio.frequency_mhz > CLUTTER_MOST_MHZ:
            assumptions[f"Unmapped land is counted as at {CLUTTER_MOST_MHZ:g} MHz, where the figures of ITU-R P.2108-1 end."] = None
        return assumed_clutter(landscape.mapped.unmapped, unmapped, clearing_m=site.clearing_m)
    named = f"The clutter of {site.name} ({site.clutter})"
    shown = _shown_near(site, landscape)
    if shown:
        assumptions[f"{named} are not counted: the files already show {shown} within {NEAR_AN_ANTENNA_M:g} m of it."] = None
        return assumed_clutter(landscape.mapped.unmapped, unmapped, clearing_m=site.clearing_m)
    if radio.frequency_mhz > CLUTTER_MOST_MHZ:
        assumptions[f"{named} are counted as at {CLUTTER_MOST_MHZ:g} MHz, where the figures of ITU-R P.2108-1 end."] = None
    return named_clutter(site.clutter, unmapped_share=unmapped, clearing_m=site.clearing_m)


def _shown_near(site: Site, landscape: Landscape) -> str:
    """Return the name of a building, wood or hedge near a site that the landscape holds; empty if there is none."""
    if landscape.ground_is_surface:
        return "all that stands there, in the surface model,"
    near = Point(site.x_m, site.y_m).buffer(NEAR_AN_ANTENNA_M)
    for cover in landscape.covers:
        tall = cover.is_building or (cover.kind in PLANT_KINDS and cover.kind not in FIELD_CROPS)
        if tall and cover.geometry.intersects(near):
            return cover.name
    return ""


def candidate_cost(site: Site, height_m: float, prices: CostSettings) -> float:
    """Return what it costs to use a candidate at a height, in the currency of the prices.

    A sensor that forwards is there anyway: only the panel or the cells that feed its open receiver are bought.
    """
    supply = {Power.MAINS: 0.0, Power.PANEL: prices.panel, Power.BATTERY: prices.battery}[site.power]
    if site.same_as:
        return round(supply, 2)
    if site.cost is not None and height_m == site.antenna_agl_m:
        return round(site.cost, 2)
    base = site.cost if site.cost is not None else (prices.gateway if site.role is Role.GATEWAY else prices.relay)
    lowest_m = site.antenna_agl_m if site.cost is not None else FREE_MAST_M
    return round(base + prices.mast_per_m * max(height_m - lowest_m, 0.0) + (supply if site.cost is None else 0.0), 2)


def _grid_north_deg(site: Site, antenna: AntennaClass, landscape: Landscape) -> float:
    """Return the true bearing of the grid's north where an antenna is aimed; 0 where nothing is."""
    aimed = antenna.is_directional and site.azimuth_deg is not None
    return grid_north_deg(landscape.grid, site.x_m, site.y_m) if aimed else 0.0


def _look_up(key: str, known: Mapping[str, _Entry], what: str, site: Site, faults: list[MeshplanError]) -> _Entry | None:
    if key in known:
        return known[key]
    fix = f"Write one of: {', '.join(known)}."
    faults.append(InputError(f"{what} '{key}' is not known.{nearest_name(key, known)}", where=site.where or site.name, fix=fix))
    return None


def _key(site: Site, height_m: float, *, several_roles: bool, several_heights: bool) -> str:
    key = f"{site.name} as {site.role.value}" if several_roles else site.name
    return f"{key} at {height_m:g} m" if several_heights else key


def _note_shared_buildings(stations: Sequence[Station], landscape: Landscape, assumptions: dict[str, None]) -> None:
    """Say what is assumed of rooms in buildings that hold more than one site."""
    for number in sorted({station.inside for station in stations} - {0}):
        names = list(dict.fromkeys(station.site.name for station in stations if station.inside == number))
        if len(names) > 1:
            building = landscape.covers[number - 1]
            assumptions[
                f"{', '.join(names[:-1])} and {names[-1]} stand inside {building.name}: between them it is taken for "
                f"{ROOM_WORDS[room_kind(building)]}, which is guessed from its wall ({building.wall or DEFAULT_WALL})."
            ] = None


def _building_around(site: Site, height_m: float, landscape: Landscape, assumptions: dict[str, None]) -> tuple[int, str]:
    """Return the cover index of the building around an antenna (0 in the open) and the walls to pass, joined with "+"."""
    number = int(cover_at(landscape, site.x_m, site.y_m))
    building = landscape.covers[number - 1] if number else None
    if building is None or not building.is_building or (height_m >= building.height_m and not site.indoors):
        return 0, site.indoors or ""
    if site.indoors:
        return number, site.indoors
    wall = building.wall or DEFAULT_WALL
    assumptions[
        f"{site.name} stands inside {building.name} at {height_m:g} m, below its roof: the signal must pass its wall ({wall})."
    ] = None
    return number, wall
