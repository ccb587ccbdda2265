"""What `property.toml` may say: every key once, with its default, its range and its meaning.

The reader of the file, the messages about it and the manual (`meshplan check --keys`) are all made from these models.
"""

from __future__ import annotations

from typing import Annotated, Final, Literal

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field
from pydantic_core import PydanticCustomError


def _as_tuple(value: object) -> object:
    """Let a single text stand for a list of one."""
    if isinstance(value, str | dict):
        return (value,)
    return tuple(value) if isinstance(value, list) else value


def _as_raster(value: object) -> object:
    """Let a bare file name stand for a raster table with that file."""
    if isinstance(value, str):
        return ({"file": value},)
    if isinstance(value, dict):
        return (value,)
    if isinstance(value, list):
        return tuple({"file": item} if isinstance(item, str) else item for item in value)
    return value


def _as_printed(value: object) -> object:
    """Let words that are shown stand in one line of characters that can be printed, as those of a site: none turns what follows."""
    if not isinstance(value, str):
        return value
    words = " ".join(value.split())
    if not words.isprintable():
        raise PydanticCustomError("not_printable", "holds characters that cannot be printed")
    return words


ShownText = Annotated[str, BeforeValidator(_as_printed)]
FileNames = Annotated[tuple[str, ...], BeforeValidator(_as_tuple)]


ConditionName = Literal[
    "hopping", "hybrid", "density", "digital-modulation", "carrier-sense", "polite-access", "timing", "channel-list",
    "point-to-point", "data-network", "country-opened", "type-approved", "registered", "metering", "control", "alarm",
]  # fmt: skip
"""Conditions of radio rules that the user may answer for; the same as `records.radio.Condition`."""


MOST_MONEY: Final = 1_000_000_000.0
"""Largest price, as in the columns of sites: money is reckoned in whole thousandths."""


class _Settings(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", use_attribute_docstrings=True, allow_inf_nan=False)


class RasterSettings(_Settings):
    """One elevation raster."""

    file: str
    """File name, relative to the property folder: GeoTIFF or another usual grid (.asc, .img, .hgt, .dem, .bil, .xyz, .dt2)."""
    holds: Literal["ground", "surface"] = "ground"
    """"ground" is bare earth; "surface" already holds trees and roofs."""
    unit: Literal["m", "ft", "us-ft"] = "m"
    """Unit of the heights in the file; by default what the file says, else metres."""
    crs: str | None = None
    """Projection such as "EPSG:25832", for a file that does not say its own."""
    datum: str | None = None
    """What its heights are above: "ellipsoid", or a vertical reference such as "EPSG:5773"; by default what the file says."""
    product: str | None = None
    """Kind of raster: lidar, national_5m, national_10m, global_30m, copernicus_30m, aw3d_30m, nasadem_30m, srtm_30m, global_90m or
    merit_90m; by default judged from the cell size."""
    error_m: float | None = Field(default=None, ge=0, le=100)
    """Standard deviation of the height error; by default that of the product, growing with slope."""
    error_length_m: float | None = Field(default=None, gt=0, le=10_000)
    """Distance over which height errors stay alike; by default that of the product."""


class AntennaSettings(_Settings):
    """Antenna and cable where a site names none of its own."""

    sensor: str | None = None
    """Antenna class of a sensor (`meshplan radios --antennas` lists them); by default the one of the radio class."""
    relay: str | None = None
    """Antenna class of a relay; by default the one of the radio class."""
    gateway: str | None = None
    """Antenna class of a gateway; by default the one of the radio class."""
    cable: str = "foam_5mm"
    """Cable class between radio and antenna (`meshplan radios --cables` lists them)."""
    sensor_cable_m: float = Field(default=0.0, ge=0, le=100)
    """Cable length at a sensor."""
    relay_cable_m: float = Field(default=0.0, ge=0, le=100)
    """Cable length at a relay."""
    gateway_cable_m: float = Field(default=3.0, ge=0, le=100)
    """Cable length at a gateway."""
    polarisation: Literal["vertical", "horizontal"] = "vertical"
    """How the antennas stand."""
    box_loss_db: float = Field(default=0.5, ge=0, le=40)
    """Loss of the plastic box around an antenna."""


class RequirementSettings(_Settings):
    """What the network must reach."""

    link_chance: float = Field(default=0.8, ge=0.5, le=0.999)
    """Chance each link must have in its worst season before the plan may use it."""
    route_chance: float | None = Field(default=None, ge=0.0, le=0.999)
    """Chance each whole route must have in its worst season; 0 asks only for the links. By default by purpose, as below."""
    route_chance_trend: float = Field(default=0.8, ge=0.0, le=0.999)
    """The same for readings of a trend, where route_chance says nothing."""
    route_chance_alarm: float = Field(default=0.95, ge=0.0, le=0.999)
    """The same for alarms."""
    route_chance_control: float = Field(default=0.98, ge=0.0, le=0.999)
    """The same for what is controlled."""
    hop_limit: int = Field(default=3, ge=1, le=8)
    """Most links from a sensor to a gateway."""
    second_route: Literal["none", "any one relay", "any one relay or gateway"] = "none"
    """What may fail without a sensor losing service."""
    second_hop_limit: int | None = Field(default=None, ge=1, le=8)
    """Most links of the route that is left whatever fails, shorter or longer than hop_limit; by default the same."""
    same_place_m: float = Field(default=2.0, ge=0, le=50)
    """Gateway and relay candidates this near to each other are one place: one mast, one device, one failure."""
    budget: float | None = Field(default=None, gt=0, le=1_000 * MOST_MONEY)
    """Most money for gateways and relays, with their running cost over cost.horizon_years; without it the cheapest full plan is
    sought."""

    def route_floor(self, purpose: str) -> float:
        """Return the chance that a whole route must have for what a sensor is for."""
        if self.route_chance is not None:
            return self.route_chance
        return float(getattr(self, f"route_chance_{purpose}"))


class CostSettings(_Settings):
    """Prices in your currency; they decide which plan is cheapest."""

    currency: ShownText = "EUR"
    """Name or sign that stands beside amounts."""
    sensor: float = Field(default=25.0, ge=0, le=MOST_MONEY)
    """Radio, board, box and cell of one sensor node."""
    relay: float = Field(default=45.0, ge=0, le=MOST_MONEY)
    """One relay without its mast and power."""
    gateway: float = Field(default=120.0, ge=0, le=MOST_MONEY)
    """One gateway without its mast and power."""
    mast_per_m: float = Field(default=12.0, ge=0, le=MOST_MONEY)
    """Each metre of antenna height above 2 m."""
    panel: float = Field(default=40.0, ge=0, le=MOST_MONEY)
    """Panel, charger and battery where a site has no mains."""
    battery: float = Field(default=10.0, ge=0)
    """Cells of a relay that runs on a battery, each time they are bought."""
    horizon_years: float = Field(default=0.0, ge=0, le=50)
    """Years of running cost (data, mains power) that count in the choice beside the price; 0 counts the price only."""
    backhaul: str = "own_network"
    """Way out of a gateway that names none (`meshplan radios --backhauls` lists them)."""
    energy_per_kwh: float = Field(default=0.30, ge=0, le=MOST_MONEY)
    """Price of mains energy; the default is near what households of the European Union paid in 2024 (from memory, check)."""
    spare_share: float = Field(default=0.1, ge=0, le=1)
    """Share of spares in the parts list; at least one of each."""


class TerrainSettings(_Settings):
    """Grid, Earth curvature and ground."""

    cell_m: float | None = Field(default=None, gt=0, le=1000)
    """Cell of the working grid; by default chosen from the elevation data."""
    k_factor: float = Field(default=4 / 3, gt=0.3, le=10)
    """Effective Earth radius factor of median refraction."""
    ground: Literal["reference", "average", "very_dry", "medium_dry", "wet", "sea"] = "reference"
    """Ground between the antennas."""
    margin_m: float | None = Field(default=None, ge=0, le=20_000)
    """Width of land kept around the sites; by default a tenth of the property, at least 50 m."""


class CoverRasterSettings(_Settings):
    """One raster of land cover or canopy heights."""

    file: str
    """File name, relative to the property folder."""
    legend: str | None = None
    """What its classes mean: worldcover, dynamic_world, corine, nlcd, or one of legends.toml; by default from its file name."""
    crs: str | None = None
    """Projection such as "EPSG:4326", for a file that does not say its own."""


CoverRasters = Annotated[tuple[CoverRasterSettings, ...], BeforeValidator(_as_raster)]


class LandCoverSettings(_Settings):
    """What stands on land that no cover file shows."""

    mapped: Literal["judged", "all", "nothing"] = "judged"
    """What the cover files account for: "all" (what they do not show is bare), "nothing", or "judged" by where they reach."""
    elsewhere: FileNames = ()
    """Cover files of which you confirm that no shape reaches the land; without it such a file is an error."""
    classes: CoverRasters = ()
    """Rasters of land-cover classes (ten-metre global classes and the like), used where no cover file shows anything."""
    canopy: CoverRasters = ()
    """Rasters of tree heights in metres, for woods without a height and for trees that no file shows."""
    unmapped: Literal["open", "rural", "suburban", "urban", "dense urban", "woodland"] = "rural"
    """What stands on land that they do not account for: "open" is bare field or moor, "rural" has hedges, trees and farms."""


class RadioSettings(_Settings):
    """Where the radio class leaves a choice."""

    frequency_mhz: float | None = Field(default=None, gt=100, le=6000)
    """Channel; by default the one of the class."""
    power_dbm: float | None = Field(default=None, ge=-40, le=40)
    """Transmit power; by default the largest that class and country allow."""
    spreading_factor: int | None = Field(default=None, ge=5, le=12)
    """Spreading factor of a chirp class."""
    bit_rate_bps: float | None = Field(default=None, gt=0, le=1e9)
    """Bit rate of a class with several."""
    protocol: Literal["own", "wide-area"] = "own"
    """What a chirp class speaks: "own", a simple network of yours (5 bytes of header), or "wide-area" (ITU-T Y.4480 family, 13)."""
    licence: str | None = None
    """Licence you hold, for classes outside licence-exempt limits."""
    accepts: Annotated[tuple[ConditionName, ...], BeforeValidator(_as_tuple)] = ()
    """Conditions of the radio rules that you answer for, such as ["hopping"] or ["country-opened"]: the plan names each in words.
    Without it the plan keeps to rows without conditions where there are any, and ends with exit code 1 where there are none."""


class SupplySettings(_Settings):
    """Boards, cells and winter."""

    sensor_board: str = "low-power-board"
    """Kind of board around the radio of a sensor (`meshplan radios --boards` lists them)."""
    relay_board: str = "low-power-board"
    """Kind of board of a relay."""
    gateway_board: str = "single-board-computer"
    """Kind of board of a gateway."""
    sensor_battery: str = "alkaline-aa"
    """Cell of a sensor (`meshplan radios --cells` lists them)."""
    cells_in_series: int | None = Field(default=None, ge=1, le=12)
    """Cells in a row that feed a sensor; by default as board and radio ask for."""
    panel_battery: str = "lifepo4-18650"
    """Cell behind a panel."""
    relay_life_years: float | None = Field(default=None, gt=0, le=30)
    """Least life on its cells that lets a relay, or a sensor that forwards, run on a battery; without it none does."""
    relay_listening_share: float = Field(default=1.0, gt=0, le=1)
    """Share of the time that the receiver of a relay on a battery is open; below 1 its neighbours must know when."""
    relay_battery: str = "alkaline-aa"
    """Cell of a relay on a battery."""
    relay_cells: int = Field(default=2, ge=1, le=100)
    """Such cells side by side, each as many in a row as the voltage asks for."""
    coldest_month_c: float = Field(default=0.0, ge=-40, le=40)
    """Mean temperature of the coldest month, in °C."""
    peak_sun_hours: float | None = Field(default=None, gt=0, le=10)
    """Sun on the tilted panel in the worst month, hours a day; by default from the latitude."""


class PlaceSettings(_Settings):
    """Where the property lies, for the time before it has sites: `meshplan open` and `meshplan land` begin there."""

    lat_deg: float | None = Field(default=None, ge=-85, le=85)
    """Latitude of the place, decimal degrees of WGS 84, north positive; only used while there is no site."""
    lon_deg: float | None = Field(default=None, ge=-180, le=180)
    """Longitude of the place, east positive; only used while there is no site."""


class SlotSettings(_Settings):
    """How exactly devices keep the slots that devices.json gives them."""

    clock_error_ppm: float = Field(default=60.0, gt=0, le=50_000)
    """Most by which a clock is wrong, in millionths: 20 for a crystal of 32 kHz and 40 for frost (from memory)."""
    readings_between_settings: float = Field(default=2.0, ge=1, le=100)
    """Readings after which a device has heard an acknowledgement, by which it sets its clock, at the latest."""
    jitter_ms: float = Field(default=5.0, ge=0, le=10_000)
    """Most by which a program starts to send late or early besides."""


class PropertySettings(_Settings):
    """The whole of `property.toml`."""

    name: ShownText = Field(min_length=1)
    """Name of the property, shown on map and sheets."""
    sites: FileNames = ()
    """Files with sensors, gateway and relay candidates (CSV, GeoJSON, GeoPackage, KML, GPX)."""
    elevation: Annotated[tuple[RasterSettings, ...], BeforeValidator(_as_raster)] = ()
    """Elevation rasters, in any order: the finest is used where it has data."""
    cover: FileNames = ()
    """Files with woods, hedges, crops, buildings and water as polygons or lines, and extracts of OpenStreetMap (.osm, .osm.pbf)."""
    boundary: FileNames = ()
    """File with the outline of the property."""
    search_ground: FileNames = ()
    """File with areas in which relay candidates are looked for, instead of on the whole land, and also where the sites name relays;
    generate_relays says how many, by default 30."""
    crs: str | None = None
    """Projection of columns x_m and y_m, and of map files that do not say their own, such as "EPSG:25832"."""
    country: str = "unknown"
    """Country or region whose radio rules apply (`meshplan radios --regions` lists them)."""
    radio: FileNames = ("css-868-sf7",)
    """Radio class (`meshplan radios` lists them), several of them, or "compare"."""
    seasons: FileNames = ("bare", "leaf")
    """Seasons to plan for: bare, leaf, wet, snow, or a month such as "august"."""
    generate_relays: int | None = Field(default=None, ge=0, le=20_000)
    """How many relay candidates to look for on the land itself; by default 30 if the sites name none, else 0."""
    generate_gateways: int | None = Field(default=None, ge=0, le=1000)
    """How many gateway candidates to look for on buildings and land; by default 6 if the sites name none, else 0."""
    place: PlaceSettings = PlaceSettings()
    """Where the property lies, while it has no sites."""
    radio_settings: RadioSettings = RadioSettings()
    """Frequency, power, spreading factor, licence."""
    antenna: AntennaSettings = AntennaSettings()
    """Antennas, cables, boxes."""
    requirement: RequirementSettings = RequirementSettings()
    """Chance, hops, second routes."""
    cost: CostSettings = CostSettings()
    """Prices."""
    supply: SupplySettings = SupplySettings()
    """Boards, cells, winter."""
    slots: SlotSettings = SlotSettings()
    """Clocks of devices that keep slots."""
    terrain: TerrainSettings = TerrainSettings()
    """Grid, refraction, ground."""
    land_cover: LandCoverSettings = LandCoverSettings()
    """Land that no cover file shows."""
