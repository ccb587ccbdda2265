"""Sites from rows: values checked, defaults filled in and reported, names unique."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from math import cos, hypot, radians
from typing import Any, Final

import numpy as np

from meshplan.errors import InputError, MeshplanError
from meshplan.inputs.columns import fold, plain, read_values
from meshplan.inputs.joined_tables import join_tables
from meshplan.inputs.site_columns import DEFAULT_HEIGHT_AGL_M, DEFAULT_POWER, ROLE_WORDS, SITE_COLUMNS
from meshplan.inputs.site_files import SiteRow, SiteTable
from meshplan.inputs.vector import WGS84, point_mover
from meshplan.inputs.walls import wall_note
from meshplan.records import Power, Purpose, Role, Site, Use


@dataclass
class SiteList:
    """Sites of all files; those at fault are missing from `sites`."""

    sites: list[Site] = field(default_factory=list)
    names: list[tuple[str, str]] = field(default_factory=list)
    """Name and place of every row that has a name, sound or not."""
    faults: list[MeshplanError] = field(default_factory=list)
    warnings: list[str] = field(default_factory=list)
    assumptions: list[str] = field(default_factory=list)
    given: dict[str, frozenset[str]] = field(default_factory=dict)
    """Columns that each site filled in, by its name."""
    stated_amsl_m: dict[str, float] = field(default_factory=dict)
    """Heights that recorders wrote of the places themselves, by the name of the site."""
    crs: str | None = None
    crs_at_fault: bool = False


def sites_from_tables(tables: Iterable[SiteTable], crs: str | None, *, crs_at_fault: bool = False) -> SiteList:
    """Return the sites of all tables, in file order.

    `crs` is the projection of x_m and y_m; with `crs_at_fault` its lack was told before, and rows are not blamed for it.
    """
    result = SiteList(crs=crs, crs_at_fault=crs_at_fault)
    for table in join_tables(list(tables)):
        result.faults.extend(table.faults)
        result.warnings.extend(table.warnings)
        result.assumptions.extend(table.assumptions)
        for row in table.rows:
            result.assumptions.extend([*row.notes, *_role_words(row)])
            result.sites.extend(_sites_of_row(row, table.word, result))
    result.faults.extend(_duplicates(result.names))
    result.warnings.extend(_on_one_spot(result.sites))
    _report_defaults(result)
    return result


def _role_words(row: SiteRow) -> list[str]:
    """Tell which other words for roles were understood; what a phone's place says was told before."""
    written = str(row.raw.get("role") or "").strip()
    taken = [] if row.notes and not row.joined else [ROLE_WORDS[word] for word in ROLE_WORDS if fold(word) == fold(written)]
    return [f"{row.where}: '{row.raw.get('name')}' role '{written}' is read as {role}." for role in taken]


def _sites_of_row(row: SiteRow, word: str, result: SiteList) -> list[Site]:
    faults: list[MeshplanError] = []
    values = read_values(row.raw, SITE_COLUMNS, row.where, faults, word=word)
    if "name" in values:
        result.names.append((values["name"], row.where))
    position = row.lon_lat_deg or _position(values, row, result, faults)
    if faults or position is None or not {"name", "role"} <= set(values):
        result.faults.extend(faults)
        return []
    roles: tuple[Role, ...] = values["role"]
    result.assumptions.extend(wall_note(row.where, row.raw.get("indoors"), values.get("indoors")))
    if Role.SENSOR in roles and values.get("optional") and "cost" in values and "worth" not in values:
        fix = "Write what serving it is worth in the column 'worth'; 'cost' is the price of a candidate."
        result.faults.append(
            InputError(f"the optional sensor '{values['name']}' has a cost and no worth", where=row.where, fix=fix)
        )
        return []
    given = frozenset(values)
    if Role.GATEWAY in roles:
        # One place has one supply, whatever it is offered as.
        values = {"power": DEFAULT_POWER[Role.GATEWAY]} | values
    sites = [_site(values, role, position, row.where) for role in roles]
    result.given[sites[0].name] = given
    if row.stated_amsl_m is not None:
        result.stated_amsl_m[sites[0].name] = row.stated_amsl_m
    if len(sites) > 1:
        result.given.update({f"{sites[0].name} ({site.role})": given for site in sites[1:]})
        sites = [sites[0], *(replace(site, name=f"{site.name} ({site.role})") for site in sites[1:])]
        result.names.extend((site.name, f"{row.where} ({site.role})") for site in sites[1:])
        result.assumptions.append(f"{row.where}: '{sites[0].name}' is offered as a {sites[0].role}, and as '{sites[1].name}'.")
    return sites


def _position(values: dict[str, Any], row: SiteRow, result: SiteList, faults: list[MeshplanError]) -> tuple[float, float] | None:
    """Return longitude and latitude of a row; what is wrong with them goes to `faults`."""
    if "lon_deg" in values and "lat_deg" in values:
        return values["lon_deg"], values["lat_deg"]
    if "x_m" in values and "y_m" in values:
        return _from_metres(values["x_m"], values["y_m"], row.where, result, faults)
    has_columns = {"lon_deg", "lat_deg"} <= set(row.raw) or {"x_m", "y_m"} <= set(row.raw)
    if not faults and has_columns:
        faults.append(InputError("has no position", where=row.where, fix="Fill in lon_deg and lat_deg."))
    return None


def _from_metres(x_m: float, y_m: float, where: str, result: SiteList, faults: list[MeshplanError]) -> tuple[float, float] | None:
    if result.crs is None:
        if not result.crs_at_fault:
            faults.append(
                InputError(
                    "the position is in metres, and nothing says in which projection",
                    where=where,
                    fix='Write crs = "EPSG:…" in property.toml, or give lon_deg and lat_deg.',
                )
            )
        return None
    lon_deg, lat_deg = point_mover(result.crs, WGS84)(x_m, y_m)
    if np.isfinite(lon_deg) and np.isfinite(lat_deg):
        return float(lon_deg), float(lat_deg)
    faults.append(
        InputError(
            f"x_m = {plain(x_m)}, y_m = {plain(y_m)} lies outside the projection",
            where=where,
            fix="Correct x_m and y_m, or crs in property.toml.",
        )
    )
    return None


def _site(values: dict[str, Any], role: Role, position: tuple[float, float], where: str) -> Site:
    heights = values.get("mast_heights_agl_m", ())
    given = values.get("antenna_agl_m")
    return Site(
        name=values["name"],
        role=role,
        lon_deg=position[0],
        lat_deg=position[1],
        x_m=float("nan"),
        y_m=float("nan"),
        antenna_agl_m=given if given is not None else min(heights, default=DEFAULT_HEIGHT_AGL_M[role]),
        height_assumed=given is None and not heights,
        mast_heights_agl_m=heights,
        purpose=Purpose(values.get("purpose", Purpose.TREND)),
        importance=values.get("importance", 1.0),
        optional=values.get("optional", False),
        power=Power(values.get("power", DEFAULT_POWER[role])),
        cost=values.get("cost"),
        worth=values.get("worth"),
        running_cost_per_year=values.get("running_cost_per_year"),
        backhaul=values.get("backhaul"),
        forwards=values.get("forwards"),
        payload_bytes=values.get("payload_bytes", 12),
        interval_s=values.get("interval_s", 900.0),
        fast_interval_s=values.get("fast_interval_s"),
        downlink_bytes=values.get("downlink_bytes"),
        command_wait_s=values.get("command_wait_s"),
        listening=values.get("listening"),
        antenna=values.get("antenna"),
        azimuth_deg=None if values.get("azimuth_deg") is None else values["azimuth_deg"] % 360.0,
        tilt_deg=values.get("tilt_deg", 0.0),
        cable=values.get("cable"),
        cable_m=values.get("cable_m"),
        indoors=values.get("indoors"),
        noise_rise_db=values.get("noise_rise_db"),
        extra_loss_db=values.get("extra_loss_db", 0.0),
        clutter=values.get("clutter"),
        clearing_m=values.get("clearing_m", 0.0),
        polarisation=values.get("polarisation"),
        use=Use(values.get("use", Use.FREE)),
        radio=values.get("radio"),
        second_route=values.get("second_route", False),
        note=values.get("note", ""),
        where=where,
    )


def _duplicates(names: list[tuple[str, str]]) -> list[MeshplanError]:
    faults: list[MeshplanError] = []
    first: dict[str, tuple[str, str]] = {}
    for name, where in names:
        earlier = first.setdefault(name.casefold(), (name, where))
        if earlier[1] != where:
            same = "" if earlier[0] == name else f" as '{earlier[0]}'"
            faults.append(
                InputError(
                    f"the name '{name}' stands already in {earlier[1]}{same}",
                    where=where,
                    fix="Give each site a name of its own; capitals do not tell names apart.",
                )
            )
    return faults


ONE_SPOT_DEG: Final = 2e-5
"""Sensors of two files nearer than this to each other, about 2 m, may be one and the same (own choice)."""


def _on_one_spot(sites: Sequence[Site]) -> list[str]:
    """Name sensors of different files that stand on one spot: most likely one device under two names."""
    cells: dict[tuple[int, int], list[Site]] = {}
    found = []
    for site in sites:
        if site.role is not Role.SENSOR:
            continue
        widen = max(cos(radians(site.lat_deg)), 0.01)
        row, column = round(site.lat_deg / ONE_SPOT_DEG), round(site.lon_deg * widen / ONE_SPOT_DEG)
        for other in (each for i in (-1, 0, 1) for j in (-1, 0, 1) for each in cells.get((row + i, column + j), ())):
            apart = hypot(site.lat_deg - other.lat_deg, (site.lon_deg - other.lon_deg) * widen)
            if apart < ONE_SPOT_DEG and _file_of(site) != _file_of(other):
                found.append(
                    f"{other.where} ('{other.name}') and {site.where} ('{site.name}') stand on one spot: if they are one sensor, "
                    "give both the same name, else it is planned, bought and counted twice."
                )
        cells.setdefault((row, column), []).append(site)
    return found


def _file_of(site: Site) -> str:
    return site.where.split(", ", 1)[0]


def _report_defaults(result: SiteList) -> None:
    """Name the sites for which something that matters had to be assumed."""
    for role in Role:
        sites = [site for site in result.sites if site.role is role]
        assumed = {
            "antenna_agl_m": f"antenna height of {plain(DEFAULT_HEIGHT_AGL_M[role])} m above ground",
        }
        if role is Role.SENSOR:
            assumed |= {"interval_s": "a reading every 15 min", "payload_bytes": "12 bytes in a reading"}
        silent: list[tuple[str, str, list[Site]]] = [(words, column, sites) for column, words in assumed.items()]
        silent[1:1] = [(f"power from {power}", "power", [site for site in sites if site.power is power]) for power in Power]
        for words, column, of in silent:
            names = [site.name for site in of if _is_assumed(site, column, result)]
            if names:
                who = f"all {len(sites)} {role}s" if len(names) == len(sites) > 1 else _counted(names, role)
                result.assumptions.append(f"{words[0].upper()}{words[1:]} assumed for {who}; give {column}.")


def _is_assumed(site: Site, column: str, result: SiteList) -> bool:
    return site.height_assumed if column == "antenna_agl_m" else column not in result.given.get(site.name, ())


def _counted(names: list[str], word: str, most: int = 8) -> str:
    listed = ", ".join(names[:most]) + (f" and {len(names) - most} more" if len(names) > most else "")
    return f"{len(names)} {word}{'s' if len(names) > 1 else ''} ({listed})"


def missing_roles(sites: Iterable[Site], shown: str, *, may_be_found: bool = False) -> list[MeshplanError]:
    """Return the faults of a property without sensors, or with nothing that could receive them.

    `may_be_found` says that the planner looks for places of gateways itself.
    """
    roles = {site.role for site in sites if site.use is not Use.FORBIDDEN}
    faults: list[MeshplanError] = []
    on_phone = shown.casefold().endswith((".kml", ".kmz", ".gpx"))
    if Role.SENSOR not in roles:
        fix = (
            "Write 'sensor' into the name or description of the places that are."
            if on_phone
            else "Add rows with the role 'sensor'."
        )
        faults.append(InputError("there is no sensor", where=shown, fix=fix))
    if Role.GATEWAY not in roles and not may_be_found:
        how = "Write 'gateway' into the name or description of one" if on_phone else "Add a row with the role 'gateway'"
        fix = f"{how}: a place with power where readings can leave the radio network."
        faults.append(InputError("there is no place for a gateway", where=shown, fix=fix))
    return faults
