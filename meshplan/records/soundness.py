"""What every plan record keeps to, whoever made it: names that exist, routes that hang together, numbers that can be.

The codec checks that each value has its type. This checks what the readers of a plan rely on, so that a damaged plan.json is told
where it is read and not tripped over by whatever draws it. It says nothing about whether the plan is right (`workflow.plan_check`).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import fields, is_dataclass
from itertools import chain, pairwise
from typing import Any, Final

from meshplan.errors import InputError, MeshplanError, raise_faults
from meshplan.records.device import Device
from meshplan.records.link import VERDICTS, Link
from meshplan.records.plan import Plan, Route, Unserved
from meshplan.records.site import Role

LARGEST: Final = 1e15
"""No figure of a plan comes near; beyond, decimals and money in thousandths are lost."""

MOST_FAULTS: Final = 20
"""So many are told; the file is then to be made again anyway."""

MAY_BE_ENDLESS: Final = frozenset({"life_years", "missing_db", "wait_s"})
"""Fields that are infinite where nothing limits them."""

MAY_BE_UNKNOWN: Final = frozenset(
    {"ground_amsl_m", "cover_m", "first_fresnel_share", "clearance_m", "at_m", "life_years", "panel_w", "storage_wh", "missing_db"}
)
"""Fields that are NaN where the data do not tell."""

_UNIT: Final = ("chance", "chance_after", "weakest_chance", "required_chance")
_RANGES: Final[dict[str, tuple[float, float]]] = {
    "lon_deg": (-360.0, 360.0),
    "lat_deg": (-90.0, 90.0),
    "bearing_deg": (-360.0, 720.0),
    "ground_amsl_m": (-20_000.0, 20_000.0),
    "antenna_agl_m": (-1e4, 1e4),
    "antenna_a_agl_m": (-1e4, 1e4),
    "antenna_b_agl_m": (-1e4, 1e4),
    "distance_m": (0.0, 1e8),
    "frequency_mhz": (1e-3, 1e6),
    "step_m": (0.0, 1e6),
    "effective_earth_radius_km": (1.0, 1e9),
    "cell_m": (1e-3, 1e6),
    "columns": (1, 1_000_000),
    "month": (1, 12),
    "payload_bytes": (0, 1_000_000),
    "interval_s": (0.0, 1e10),
    **dict.fromkeys(_UNIT, (0.0, 1.0)),
}
_REMAKE: Final = "Write plan.json with `meshplan plan`, not by hand."


def refuse_unsound(plan: Plan, where: str) -> None:
    """Raise the faults of a record that no plan can have, each with its place in the file."""
    faults: list[MeshplanError] = []
    for path, problem in chain(_numbers(plan, "plan"), _names(plan), _links(plan), _routes(plan), _drawings(plan)):
        faults.append(InputError(problem, where=f"{where}, {path}", fix=_REMAKE))
        if len(faults) == MOST_FAULTS:
            break
    raise_faults(faults)


Told = Iterator[tuple[str, str]]


def _numbers(value: object, path: str, name: str = "") -> Told:
    """Give every number that cannot be, by the name of its field. Free values (settings, the certificate) are judged elsewhere."""
    if isinstance(value, bool | str) or value is None:
        return
    if isinstance(value, int | float):
        problem = _unfit(value, name)
        if problem:
            yield path, problem
    elif isinstance(value, tuple):
        for i, item in enumerate(value):
            yield from _numbers(item, f"{path}[{i}]", name)
    elif isinstance(value, dict):
        for key, item in value.items():
            yield from _numbers(item, f"{path}.{key}", name)
    elif is_dataclass(value):
        for field in fields(value):
            if field.name not in ("certificate", "limits", "settings"):
                yield from _numbers(getattr(value, field.name), f"{path}.{field.name}", field.name)


def _unfit(value: float, name: str) -> str:
    if isinstance(value, float) and math.isnan(value):
        return "" if name in MAY_BE_UNKNOWN else "is empty, and a number is needed"
    if isinstance(value, float) and math.isinf(value):
        return "" if name in MAY_BE_ENDLESS and value > 0 else "is without end, and a finite number is needed"
    low, high = _RANGES.get(name, (-LARGEST, LARGEST))
    if isinstance(value, int) and abs(value) > LARGEST:
        return f"a number of {len(str(abs(value)))} digits cannot be: {low:g} to {high:g} is possible"
    return "" if low <= value <= high else f"{value:.6g} cannot be: {low:g} to {high:g} is possible"


def _names(plan: Plan) -> Told:
    """Give names that stand twice or belong to no device."""
    yield from _twice("plan.devices", "name", [device.name for device in plan.devices])
    yield from _twice("plan.links", "key", [link.key for link in plan.links])
    yield from _twice("plan.seasons", "name", [season.name for season in plan.seasons])
    yield from _twice("plan.routes", "sensor", [route.sensor for route in plan.routes])
    known = {device.name for device in plan.devices}
    for i, device in enumerate(plan.devices):
        if not device.name.strip():
            yield f"plan.devices[{i}].name", "is empty"
    if not plan.seasons:
        yield "plan.seasons", "is empty: a plan has at least one season"
    sensors = {device.name for device in plan.devices if device.role is Role.SENSOR}
    misses: tuple[tuple[str, Sequence[Unserved]], ...] = (("unserved", plan.unserved), ("single_routes", plan.single_routes))
    for where, gaps in misses:
        for i, gap in enumerate(gaps):
            yield from _unknown(f"plan.{where}[{i}].sensor", [gap.sensor], sensors, "sensor")
            yield from _unknown(f"plan.{where}[{i}].nearest", [gap.nearest] if gap.nearest else [], known, "device")
    for name, silenced in plan.loses_service.items():
        yield from _unknown("plan.loses_service", [name], known, "device")
        yield from _unknown(f"plan.loses_service.{name}", silenced, sensors, "sensor")
    for name in plan.verdict_limits:
        if name not in VERDICTS:
            yield f"plan.verdict_limits.{name}", f"is no verdict; there are {', '.join(VERDICTS)}"
    for i, price in enumerate(plan.redundancy_prices):
        yield from _price(f"plan.redundancy_prices[{i}]", price)


def _price(path: str, price: dict[str, Any]) -> Told:
    kinds: dict[str, Callable[[Any], bool]] = {
        "sentence": lambda value: isinstance(value, str),
        **dict.fromkeys(("cost", "extra_cost"), lambda value: isinstance(value, int | float) and not isinstance(value, bool)),
        "sensors_with_second_route": lambda value: isinstance(value, int) and not isinstance(value, bool),
    }
    for key, fits in kinds.items():
        if not fits(price.get(key)):
            yield f"{path}.{key}", "is missing or of another kind"


def _twice(path: str, field: str, names: Sequence[str]) -> Told:
    seen: set[str] = set()
    for i, name in enumerate(names):
        if name in seen:
            yield f"{path}[{i}].{field}", f"'{_short(name)}' stands twice"
        seen.add(name)


def _unknown(path: str, names: Iterable[str], known: set[str], what: str) -> Told:
    for name in names:
        if name not in known:
            yield path, f"'{_short(name)}' is no {what} of the plan"


def _short(name: str) -> str:
    return name if len(name) <= 60 else f"{name[:58]} …"


def _links(plan: Plan) -> Told:
    known = {device.name for device in plan.devices}
    seasons = {season.name for season in plan.seasons}
    for i, link in enumerate(plan.links):
        path = f"plan.links[{i}]"
        yield from _unknown(f"{path}.a", [link.a], known, "device")
        yield from _unknown(f"{path}.b", [link.b], known, "device")
        if link.a == link.b:
            yield f"{path}.b", "is the device at the other end too"
        if link.verdict not in VERDICTS:
            yield f"{path}.verdict", f"'{_short(link.verdict)}' is no verdict; there are {', '.join(VERDICTS)}"
        if [result.season for result in link.seasons] != [season.name for season in plan.seasons]:
            yield f"{path}.seasons", "are not the seasons of the plan"
        if link.worst_season not in seasons:
            yield f"{path}.worst_season", f"'{_short(link.worst_season)}' is no season of the plan"
        yield from _profile(path, link, len(plan.cover_kinds))


def _profile(path: str, link: Link, kinds: int) -> Told:
    profile = link.profile
    if profile is None:
        return
    if not len(profile.ground_amsl_m) == len(profile.cover_m) == len(profile.cover_kind):
        yield f"{path}.profile", "its ground, cover and kinds of cover are not as many"
    if any(not 0 <= kind < max(kinds, 1) for kind in profile.cover_kind):
        yield f"{path}.profile.cover_kind", "names a kind of cover that the plan does not have"
    if not profile.ground_amsl_m or any(math.isnan(height) for height in (profile.ground_amsl_m[0], profile.ground_amsl_m[-1])):
        yield f"{path}.profile.ground_amsl_m", "does not know the ground at both ends"


def _routes(plan: Plan) -> Told:
    devices = {device.name: device for device in plan.devices}
    links = {link.key: link for link in plan.links}
    for i, route in enumerate(plan.routes):
        yield from _way(f"plan.routes[{i}]", route, route.devices, route.links, devices, links)
        if route.second_devices or route.second_links:
            yield from _way(f"plan.routes[{i}].second", route, route.second_devices, route.second_links, devices, links)


def _way(
    path: str, route: Route, names: Sequence[str], keys: Sequence[str], devices: dict[str, Device], links: dict[str, Link]
) -> Told:
    """Give what keeps a way from leading from its sensor over links of the plan to a gateway of it."""
    yield from _unknown(path, names, set(devices), "device")
    yield from _unknown(path, keys, set(links), "link")
    if len(names) < 2 or len(keys) != len(names) - 1:
        yield path, f"has {len(names)} devices and {len(keys)} links, which make no way"
        return
    if names[0] != route.sensor:
        yield path, f"does not begin at its sensor '{_short(route.sensor)}'"
    if route.sensor in devices and devices[route.sensor].role is not Role.SENSOR:
        yield f"{path}.sensor", f"'{_short(route.sensor)}' is no sensor"
    if names[-1] in devices and devices[names[-1]].role is not Role.GATEWAY:
        yield path, f"ends at '{_short(names[-1])}', which is no gateway"
    for key, hop in zip(keys, pairwise(names), strict=True):
        if key in links and {links[key].a, links[key].b} != set(hop):
            yield path, f"its link '{_short(key)}' does not join '{_short(hop[0])}' and '{_short(hop[1])}'"


def _drawings(plan: Plan) -> Told:
    for i, shape in enumerate(plan.shapes):
        if not shape.rings:
            yield f"plan.shapes[{i}].rings", "is empty"
        for j, ring in enumerate(shape.rings):
            if len(ring) < 3:
                yield f"plan.shapes[{i}].rings[{j}]", "has fewer than three corners"
            elif any(not (abs(lon) <= 360.0 and abs(lat) <= 90.0) for lon, lat in ring):
                yield f"plan.shapes[{i}].rings[{j}]", "has a corner that is no longitude and latitude"
    if not plan.devices:
        yield "plan.devices", "is empty"
