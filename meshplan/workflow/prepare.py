"""From a property folder to a landscape with stations: everything a calculation needs."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cache
from pathlib import Path
from typing import Any, Final

from meshplan.assembly.supplies import Catalogue, find_in
from meshplan.assembly.traffic import emission_of, lawful_mode_for, with_own_traffic
from meshplan.errors import InputError, MeshplanError, raise_faults
from meshplan.explain.describe import Context
from meshplan.explain.unmapped_words import unmapped_line
from meshplan.inputs.antennas import read_antennas, read_cables
from meshplan.inputs.backhauls import read_backhauls
from meshplan.inputs.device_numbers import NUMBERS_FILE, read_device_numbers
from meshplan.inputs.property import read_property
from meshplan.inputs.radios import read_batteries, read_boards, read_radio_classes, read_regions, read_regulators, read_solar
from meshplan.inputs.site_changes import CHANGES_FILE
from meshplan.links.build_stations import build_stations
from meshplan.links.known_links import same_heights
from meshplan.links.mixture import radio_names
from meshplan.links.seasons import hemisphere_of, seasons_named
from meshplan.loss.path_loss import PathSettings
from meshplan.operation.law import LegalVerdict, conditional_hint, find_region, highest_lawful_power, legal_check, whether_it_hops
from meshplan.operation.law_rows import Emission
from meshplan.propagation.ground import ground_constants
from meshplan.propagation.refraction import effective_earth_radius_km
from meshplan.propagation.seasons import Hemisphere, Season
from meshplan.records import Power, Purpose, Role, Site, Use
from meshplan.records.antenna import AntennaClass, CableClass
from meshplan.records.backhaul import BackhaulClass
from meshplan.records.device_settings import DeviceNumber
from meshplan.records.property import Property
from meshplan.records.radio import RadioClass, RadioMode, Region, radio_mode
from meshplan.records.short_form import Facts, ShortForm
from meshplan.records.station import Station
from meshplan.settings import RadioSettings
from meshplan.terrain.candidates import find_gateway_places, find_relay_places
from meshplan.terrain.forwarding_sensors import forwarding_sensors
from meshplan.terrain.geodesy import to_degrees
from meshplan.terrain.landscape import Landscape, build_landscape
from meshplan.terrain.mapped_land import EVERYTHING_MAPPED, MappedLand, judge_mapped_land
from meshplan.terrain.places import with_places
from meshplan.workflow.battery_relays import with_battery_relays
from meshplan.workflow.found_beside_wires import falls_on_wires, said_of_wires
from meshplan.workflow.running_costs import backhaul_notes, check_backhauls, with_running_costs

COMPARE = "compare"
"""Stands in property.toml for all radio classes."""


USUAL_FOUND_RELAYS = 30
USUAL_FOUND_GATEWAYS = 6


@dataclass(frozen=True, eq=False, repr=False)
class Base(ShortForm):
    """A property as read, before any radio is chosen."""

    found: Property
    landscape: Landscape
    classes: dict[str, RadioClass]
    antennas: dict[str, AntennaClass]
    cables: dict[str, CableClass]
    catalogue: Catalogue
    seasons: tuple[Season, ...]
    hemisphere: Hemisphere
    backhauls: dict[str, BackhaulClass] = field(default_factory=dict)
    overrides: dict[str, Any] = field(default_factory=dict)
    """Settings in place of those of the file, by dotted key."""
    mapped: MappedLand = EVERYTHING_MAPPED
    """What the cover files account for."""
    numbers: tuple[DeviceNumber, ...] = ()
    """Numbers that the property folder gives to devices."""

    def short_facts(self) -> Facts:
        """Return what the property says of itself."""
        return self.found.short_facts()


@dataclass(frozen=True, eq=False, repr=False)
class Prepared(ShortForm):
    """A property ready for calculation with one radio."""

    base: Base
    radio: RadioMode
    lawfulness: LegalVerdict
    """What the rules say about the radio itself, before its traffic is known."""
    stations: tuple[Station, ...]
    path: PathSettings
    assumptions: tuple[str, ...]
    asked_radio: str = ""
    """Class named in place of the one in property.toml; empty if none was."""
    parts: tuple[Prepared, ...] = ()
    """Where places name radios of their own: the same property once for each class, with the stations that carry it."""

    def short_facts(self) -> Facts:
        """Return property and radio."""
        return (*self.found.short_facts(), ("radio", self.radio.name), ("stations", len(self.stations)))

    @property
    def found(self) -> Property:
        """The property as read."""
        return self.base.found

    @property
    def landscape(self) -> Landscape:
        """Ground and cover."""
        return self.base.landscape

    @property
    def seasons(self) -> tuple[Season, ...]:
        """Seasons to plan for."""
        return self.base.seasons

    @property
    def context(self) -> Context:
        """What the words about links need."""
        kinds = tuple(sorted({cover.kind for cover in self.landscape.covers}))
        return Context(
            landscape=self.landscape,
            settings=self.path,
            required_chance=self.found.settings.requirement.link_chance,
            hemisphere=self.base.hemisphere,
            cover_kinds=("open", *kinds),
        )


def read_base(folder: Path, *, overrides: dict[str, Any] | None = None, known: Base | None = None) -> Base:
    """Read a property and make its landscape.

    Parameters
    ----------
    folder : Path
        Folder with `property.toml`.
    overrides : dict, optional
        Settings in place of those in the file, with dotted keys.
    known : Base, optional
        The property before a change; its land is taken over where nothing of it changed.

    Raises
    ------
    MeshplanError
        Everything that is wrong with the input, all at once where it can be known at once.
    """
    found = read_property(folder, overrides=overrides)
    places = [(site.x_m, site.y_m) for site in found.sites]
    mapped = judge_mapped_land(found.settings.land_cover, found.cover_reach_m, places, found.boundary, found.accounted_m)
    if known is not None and same_heights(known.found.elevation, found.elevation):
        found = replace(found, elevation=known.found.elevation)
    landscape = _landscape_of(found, mapped, known)
    found = with_found_relays(with_found_gateways(found, landscape), landscape)
    forwarding, may_forward = forwarding_sensors(found.sites)
    sites, reported = with_places((*found.sites, *forwarding), found.settings.requirement.same_place_m)
    found = replace(found, sites=sites, assumptions=(*found.assumptions, *may_forward, *reported, *_idle_settings(found)))
    backhauls = read_backhauls(found.folder)
    check_backhauls(found.sites, backhauls, found.settings)
    notes = backhaul_notes(found.sites, backhauls, found.settings)
    found = replace(found, assumptions=(*found.assumptions, *notes))
    hemisphere = hemisphere_of(sum(site.lat_deg for site in found.sites) / len(found.sites))
    classes = read_radio_classes(found.folder)
    antennas, cables = read_antennas(found.folder), read_cables(found.folder)
    return Base(
        found=found,
        landscape=landscape,
        classes=classes,
        antennas=antennas,
        cables=cables,
        catalogue=_catalogue(found),
        seasons=seasons_named(found.settings.seasons, hemisphere),
        hemisphere=hemisphere,
        backhauls=backhauls,
        overrides=dict(overrides or {}),
        mapped=mapped,
        numbers=read_device_numbers(found.folder / NUMBERS_FILE, NUMBERS_FILE),
    )


def _landscape_of(found: Property, mapped: MappedLand, known: Base | None) -> Landscape:
    """Return the landscape: the known one where it holds the same."""
    same_land = known is not None and known.found.elevation is found.elevation and known.mapped == mapped
    if known is not None and same_land and known.found.covers == found.covers:
        return known.landscape
    return build_landscape(found.elevation, found.covers, mapped)


def _catalogue(found: Property) -> Catalogue:
    """Return rules, cells and boards; settings that name none of them are faults."""
    region, batteries, boards = _region_of(found), read_batteries(found.folder), read_boards(found.folder)
    supply, faults = found.settings.supply, []
    for name in type(supply).model_fields:
        known: Mapping[str, Any] | None = boards if name.endswith("_board") else batteries if name.endswith("_battery") else None
        if known is not None:
            try:
                find_in(known, getattr(supply, name), f"supply.{name}")
            except MeshplanError as fault:
                faults.append(fault)
    raise_faults(faults)
    return Catalogue(
        region=region, batteries=batteries, boards=boards, solar=read_solar(), regulators=read_regulators(found.folder)
    )


def _idle_settings(found: Property) -> tuple[str, ...]:
    """Say which settings of second routes have nothing to act on."""
    asked = found.settings.requirement
    if asked.second_hop_limit is None or asked.second_route != "none" or any(site.second_route for site in found.sites):
        return ()
    return ("requirement.second_hop_limit is set and no second route is asked for: it changes no route of this plan.",)


def _is_tried(site: Site) -> bool:
    """Whether a place was added on the map, to stand beside those that the planner finds and not in their stead."""
    return site.where.startswith(CHANGES_FILE)


def with_found_gateways(found: Property, landscape: Landscape) -> Property:
    """Return the property with gateway candidates on its buildings and land, as many as asked, or some if its sites name none."""
    named = any(site.role is Role.GATEWAY and site.use is not Use.FORBIDDEN and not _is_tried(site) for site in found.sites)
    wanted = found.settings.generate_gateways
    count = wanted if wanted is not None else (0 if named else USUAL_FOUND_GATEWAYS)
    if count == 0:
        return found
    degrees, shunned = to_degrees(landscape.grid), falls_on_wires(found.utilities)
    gateways = said_of_wires(find_gateway_places(landscape, found.boundary, found.sites, count, degrees, shunned), shunned)
    if not gateways and not named:
        fix = "Add a row with the role 'gateway': a place with power where readings can leave the radio network."
        raise InputError("no place for a gateway is named, and none was found on the land", where="sites", fix=fix)
    why = "" if wanted is not None else "No gateway is named: "
    built = [site.name for site in gateways if site.power is Power.MAINS]
    away = [site.name for site in gateways if site.power is not Power.MAINS]
    needs = [f"Mains and a way out (cost.backhaul = {found.settings.cost.backhaul}): {'; '.join(built)}."] if built else []
    needs += [f"A post, a panel and mobile reception: {'; '.join(away)}."] if away else []
    many = "s were" if len(gateways) != 1 else " was"
    reported = (
        f"{why}{len(gateways)} gateway candidate{many} found by the planner, which cannot see power or networks. "
        f"What they need: {' '.join(needs)} Look at the one that is chosen before you buy, and name your own in a row with the "
        "role 'gateway'."
    )
    return replace(found, sites=(*found.sites, *gateways), assumptions=(*found.assumptions, reported))


def with_found_relays(found: Property, landscape: Landscape) -> Property:
    """Return the property with relay candidates from the land itself, as many as asked, or some if its sites name none."""
    search = found.search_ground
    named = any(site.role is Role.RELAY and not _is_tried(site) for site in found.sites)
    wanted = found.settings.generate_relays
    count = wanted if wanted is not None else (0 if named and search is None else USUAL_FOUND_RELAYS)
    if count == 0:
        return found
    degrees, shunned = to_degrees(landscape.grid), falls_on_wires(found.utilities)
    relays = said_of_wires(
        find_relay_places(landscape, found.boundary, found.sites, count, degrees, shunned, search_ground=search), shunned
    )
    why = "" if wanted is not None or search is not None else " because the sites name none"
    where = "on the land itself" if search is None else "in the ground to search"
    reported = f"{len(relays)} relay candidates were found {where}{why}; each must be looked at before it is used."
    return replace(found, sites=(*found.sites, *relays), assumptions=(*found.assumptions, reported))


def _region_of(found: Property) -> Region:
    regions = read_regions(found.folder)  # its faults name their own file
    try:
        return find_region(regions, found.settings.country)
    except InputError as error:
        raise InputError(error.problem, where="property.toml, key 'country'", fix=error.fix) from error


def prepare_property(
    folder: Path, *, radio: str | None = None, overrides: dict[str, Any] | None = None, known: Base | None = None
) -> Prepared:
    """Read a property and equip it with a radio; `radio` names a class in place of the one in the file. The rest as `read_base`."""
    base = read_base(folder, overrides=overrides, known=known)
    if radio:
        return replace(equip(base, radio), asked_radio=radio)
    if not base.found.settings.radio:
        raise InputError(
            "names no radio class", where="property.toml, key 'radio'", fix="Name one; `meshplan radios` lists them all."
        )
    first, *others = base.found.settings.radio
    if first == COMPARE:
        raise InputError(
            'radio = "compare" asks for a comparison, and this needs one class',
            where="property.toml, key 'radio'",
            fix=f"Run `meshplan compare {folder}` and write down the class you choose, or name one with --radio CLASS.",
        )
    prepared = equip(base, first)
    if not others:
        return prepared
    note = f"Of the radio classes in property.toml the first, {first}, is taken; `meshplan compare` shows them all."
    return replace(prepared, assumptions=(*prepared.assumptions, note))


def equip(base: Base, radio: str, *, mixed: bool = True) -> Prepared:
    """Return a property with stations at the frequency and power that rules and settings allow.

    Parameters
    ----------
    base : Base
    radio : str
        Class of every place that names none of its own.
    mixed : bool
        Whether places may keep the class they name; without it all carry `radio`.
    """
    names = class_names(base, radio) if mixed else (radio,)
    if names == (radio,):
        alike = _equip_alike(base, radio)
        stations, reported = _priced(base, alike.stations)
        return replace(alike, stations=stations, assumptions=(*alike.assumptions, *reported))
    parts = [part_of_mixture(base, name, radio) for name in names]
    together, reported = _priced(base, [station for part in parts for station in part.stations])
    priced = iter(together)
    parts = [replace(part, stations=tuple(next(priced) for _ in part.stations)) for part in parts]
    refused = [part for part in parts if not part.lawfulness.lawful]
    first = (refused or parts)[0]
    assumptions = [line for part in parts for line in part.assumptions]
    return replace(
        first,
        base=base,
        stations=tuple(station for part in parts for station in part.stations),
        assumptions=tuple(dict.fromkeys([*assumptions, *_two_radio_notes(base, radio), *reported])),
        parts=(first, *(part for part in parts if part is not first)),
    )


def _priced(base: Base, stations: Sequence[Station]) -> tuple[tuple[Station, ...], tuple[str, ...]]:
    """Return the stations with what they cost a year and how long relays last on a battery, and what is to be said of that."""
    lasting, reported = with_battery_relays(stations, sensors_of(base), base.catalogue, base.found.settings)
    weak = {s.site.name: s.site for s in lasting if s.site.power is Power.BATTERY and s.site.use is Use.FORCED and not s.lasts}
    fix = "Give it mains or a panel, write use = free, or for a relay say how long its cells must last (supply.relay_life_years)."
    raise_faults(
        [
            InputError(
                f"'{site.name}' must be used, and its battery is no lasting power", where=f"{site.where}, column 'power'", fix=fix
            )
            for site in weak.values()
            if site.role is not Role.SENSOR
        ]
    )
    return with_running_costs(lasting, base.backhauls, base.catalogue.boards, base.found.settings), reported


def class_names(base: Base, radio: str) -> tuple[str, ...]:
    """Return the classes that the places of a property carry, that of the property first; unknown ones are faults."""
    found: dict[str, None] = {}
    faults: list[MeshplanError] = []
    try:
        radio_mode(base.classes, radio)
    except InputError as error:
        here = "property.toml, key 'radio'" if radio in base.found.settings.radio else "--radio"
        faults.append(InputError(error.problem, where=here, fix=error.fix))
    for site in base.found.sites:
        names = radio_names(site, radio)
        if site.role is Role.SENSOR and len(names) > 1:
            fix = "Name one class; only relays and gateways carry two."
            faults.append(InputError(f"the sensor {site.name} names {len(names)} radios", where=site.where, fix=fix))
        for name in names:
            found[name] = None
            if name == radio:
                continue
            try:
                radio_mode(base.classes, name)
            except InputError as error:
                faults.append(InputError(error.problem, where=f"{site.where}, column 'radio'", fix=error.fix))
    raise_faults(faults)
    return tuple(sorted(found, key=lambda name: name != radio))


def part_of_mixture(base: Base, name: str, radio: str) -> Prepared:
    """Return the property in one class, with the stations that carry it; `radio` is the class of places that name none."""
    settings, sites = base.found.settings, base.found.sites
    if name != radio:
        frequency_mhz = radio_mode(base.classes, name).frequency_mhz

        def fits(antenna: str | None) -> bool:
            return antenna not in base.antennas or base.antennas[antenna].serves(frequency_mhz)

        roles = {role.value: getattr(settings.antenna, role.value) for role in Role}
        unfit = {role: None for role, antenna in roles.items() if not fits(antenna)}
        settings = settings.model_copy(
            update={
                "radio_settings": RadioSettings(
                    licence=settings.radio_settings.licence,
                    accepts=settings.radio_settings.accepts,
                    protocol=settings.radio_settings.protocol,
                ),
                "antenna": settings.antenna.model_copy(update=unfit),
            }
        )
        two = [site for site in sites if len(radio_names(site, radio)) > 1 and not fits(site.antenna)]
        sites = tuple(replace(site, antenna=None) if site in two else site for site in sites)
    prepared = _equip_alike(replace(base, found=replace(base.found, settings=settings, sites=sites)), name)
    carried = {(site.name, site.role): radio_names(site, radio) for site in sites}
    stations = []
    for station in prepared.stations:
        names = carried[station.site.name, station.site.role]
        if name in names:
            more = (
                sum(radio_mode(base.classes, other).radio.price.value for other in names[1:]) if station.site.cost is None else 0.0
            )
            stations.append(replace(station, cost=round(station.cost + more, 2)))
    return replace(prepared, stations=tuple(stations))


def equip_for_readings(base: Base, name: str, frequency_mhz: float | None = None) -> Prepared:
    """Return the property with every place in one class, whatever it carries: what somebody held in their hands to measure.

    Antennas of another band give way to the one that belongs to the class.

    Parameters
    ----------
    base : Base
    name : str
        Class that was measured with.
    frequency_mhz : float, optional
        Channel, within what the class can do.
    """
    settings = base.found.settings
    channel_mhz = frequency_mhz or radio_mode(base.classes, name).frequency_mhz

    def fits(antenna: str | None) -> bool:
        return antenna not in base.antennas or base.antennas[antenna].serves(channel_mhz)

    unfit = {role.value: None for role in Role if not fits(getattr(settings.antenna, role.value))}
    settings = settings.model_copy(
        update={
            "radio_settings": RadioSettings(
                licence=settings.radio_settings.licence,
                accepts=settings.radio_settings.accepts,
                protocol=settings.radio_settings.protocol,
                frequency_mhz=frequency_mhz,
            ),
            "antenna": settings.antenna.model_copy(update=unfit),
        }
    )
    sites = tuple(replace(site, radio=None, antenna=site.antenna if fits(site.antenna) else None) for site in base.found.sites)
    return _equip_alike(replace(base, found=replace(base.found, settings=settings, sites=sites)), name)


def _two_radio_notes(base: Base, radio: str) -> list[str]:
    """Say which places carry two radios, and what that asks for."""
    found = [(site.name, radio_names(site, radio)) for site in base.found.sites]
    return [
        f"{name} carries {' and '.join(names)} on one board: the price of the second radio is added unless the site has a price "
        "of its own; keep their antennas a metre apart (common practice, no source)."
        for name, names in dict(found).items()
        if len(names) > 1
    ]


def _equip_alike(base: Base, radio: str) -> Prepared:
    """Return a property with stations of one class."""
    settings = base.found.settings
    mode, lawfulness = choose_mode(base, radio)
    stations, notes = build_stations(base.found.sites, base.landscape, mode, base.antennas, base.cables, settings, power_at(base))
    path = PathSettings(
        frequency_mhz=mode.frequency_mhz,
        earth_radius_km=float(effective_earth_radius_km(settings.terrain.k_factor)),
        polarisation=settings.antenna.polarisation,
        ground=ground_constants(settings.terrain.ground, mode.frequency_mhz),
    )
    unmapped = unmapped_line(base.landscape.mapped)
    reported = (unmapped,) if unmapped else ()
    assumptions = (*reported, *base.found.assumptions, *base.landscape.assumptions, *mode.assumptions, *notes)
    return Prepared(
        base=base,
        radio=mode,
        lawfulness=lawfulness,
        stations=stations,
        path=path,
        assumptions=tuple(dict.fromkeys(assumptions)),
    )


MUCH_POWER_DB: Final = 3.0
"""Power below that of the class at which a faster setting is looked at: it may keep more of it (own choice)."""


def choose_mode(base: Base, radio: str) -> tuple[RadioMode, LegalVerdict]:
    """Return the radio at the frequency and power that rules and settings allow, and what the rules say about it.

    Where nobody chose a setting and the usual one's packets, headers included, are refused or allowed with much less power only
    (dwell, duty), a faster setting that reaches further within the rules is taken.
    """
    wish = base.found.settings.radio_settings
    mode, verdict = _lawful_setting(base, radio)
    if radio not in base.classes or wish.spreading_factor is not None or wish.bit_rate_bps is not None:
        return mode, verdict
    if verdict.lawful and mode.tx_power_dbm > base.classes[radio].tx_power_dbm.value - MUCH_POWER_DB:
        return mode, verdict
    best = (mode, verdict)
    faster = [each for each in base.classes[radio].settings if each.bit_rate_bps.value > mode.bit_rate_bps * 1.01]
    for setting in sorted(faster, key=lambda each: each.bit_rate_bps.value):
        other, ruling = _lawful_setting(base, f"{radio}-{setting.name}")
        if ruling.lawful and _reach(other, ruling) > _reach(*best):
            why = (
                f"with their headers its packets may go out with {mode.tx_power_dbm:.1f} dBm only, the shorter ones of "
                f"{setting.name} with {other.tx_power_dbm:.1f} dBm."
                if verdict.lawful
                else verdict.sentence
            )
            reported = f"Setting {setting.name} taken instead of {mode.setting}: {why}"
            best = replace(other, assumptions=(*other.assumptions, reported)), ruling
    return best


def _reach(mode: RadioMode, verdict: LegalVerdict) -> tuple[bool, int, float]:
    """Return what a setting is chosen by: lawful, few conditions that nobody answers for, most loss that it bears."""
    return verdict.lawful, -len(verdict.open_keys), mode.tx_power_dbm - mode.sensitivity_dbm


def _lawful_setting(base: Base, radio: str) -> tuple[RadioMode, LegalVerdict]:
    """Return one setting of a class where it is lawful, at the power that is, and the verdict; headers count as on the air."""
    wish = base.found.settings.radio_settings
    mode = radio_mode(
        base.classes,
        radio,
        spreading_factor=wish.spreading_factor,
        bit_rate=wish.bit_rate_bps,
        power_dbm=wish.power_dbm,
        frequency_mhz=wish.frequency_mhz,
        wide_area=wish.protocol == "wide-area",
    )
    key = base.found.settings.antenna.sensor or mode.default_antenna
    gain_dbi = base.antennas[key].peak_gain_dbi[1] if key in base.antennas else 0.0
    emission = emission_of(mode, gain_dbi, 0.0, purpose=Purpose.TREND, licence=wish.licence, accepts=wish.accepts)
    sensors = sensors_of(base)
    chosen, verdict = lawful_mode_for(
        base.catalogue.region,
        emission,
        sensors,
        keep_power=wish.power_dbm is not None,
        keep_frequency=wish.frequency_mhz is not None,
    )
    hint = (
        ""
        if wish.power_dbm is not None
        else conditional_hint(base.catalogue.region, with_own_traffic(replace(emission, mode=chosen), sensors), verdict)
    )
    chosen = replace(chosen, hops=whether_it_hops(base.catalogue.region, chosen, verdict, wish.accepts))
    return (replace(chosen, assumptions=(*chosen.assumptions, hint)) if hint else chosen), verdict


def sensors_of(base: Base) -> tuple[Site, ...]:
    """Return the sites that report."""
    return tuple(site for site in base.found.sites if site.role is Role.SENSOR)


def part_with(prepared: Prepared, names: Sequence[str]) -> Prepared:
    """Return the class in which all named stations or sites speak; the property itself where all places carry the same class.

    Names that are no place of the property are left to the caller.
    """
    if not prepared.parts:
        return prepared
    known = {word.casefold() for station in prepared.stations for word in (station.key, station.site.name)}
    wanted = {name.strip().casefold() for name in names} & known
    for part in prepared.parts:
        own = {word.casefold() for station in part.stations for word in (station.key, station.site.name)}
        if wanted <= own:
            return part
    raise InputError(
        f"{' and '.join(names)} carry no radio class in common",
        where="column 'radio' of the sites",
        fix='Give one of them both classes, joined with "+", or look at each link of a two-radio relay between them.',
    )


def refuse_unlawful(prepared: Prepared) -> None:
    """Raise what the rules say when they allow this radio at no power here."""
    refusal = refusal_of(prepared)
    if refusal is not None:
        raise refusal


def refusal_of(prepared: Prepared) -> InputError | None:
    """Return why the rules allow this radio at no power here, with the change that complies; None if they allow it."""
    verdict, region = prepared.lawfulness, prepared.base.catalogue.region
    if verdict.lawful:
        return None
    if not region.known:
        return InputError(
            f"no country is named, and {prepared.radio.title} does not fit the careful default that holds then: "
            f"{'; '.join(breach.problem for breach in verdict.breaches)}",
            where="property.toml, key 'country'",
            fix='Add your country or region, such as country = "europe" (`meshplan radios --regions` lists them). '
            f"Without one, only a class that fits the careful default can be planned. {verdict.advice}",
        )
    change = verdict.changes[0] if verdict.changes else "choose another radio class"
    return InputError(
        f"{prepared.radio.title} may not be used as it is set. {verdict.sentence}",
        where="property.toml, keys 'country' and 'radio'",
        fix=f"To comply: {change.rstrip('.')}. {verdict.advice}",
    )


def power_at(base: Base) -> Callable[[Site, AntennaClass, float, RadioMode], float]:
    """Return a function that gives the power a site may use with its own antenna and traffic.

    Relays and gateways are judged with the packets of the busiest sensor, which they may have to forward.
    """
    wish, region = base.found.settings.radio_settings, base.catalogue.region
    all_sensors = sensors_of(base)

    @cache  # sensors of one rhythm and packet share a verdict
    def most_dbm(emission: Emission) -> float:
        power, verdict = highest_lawful_power(region, emission)
        return min(power, emission.mode.tx_power_dbm) if verdict.lawful else emission.mode.tx_power_dbm

    @cache
    def power_dbm(gain_dbi: float, feed_loss_db: float, purpose: Purpose, mode: RadioMode, sensors: tuple[Site, ...]) -> float:
        emission = emission_of(mode, gain_dbi, feed_loss_db, purpose=purpose, licence=wish.licence, accepts=wish.accepts)
        return most_dbm(with_own_traffic(emission, sensors))

    @cache  # apart from the above, so that thousands of sensors are not hashed anew for each of thousands of candidates
    def power_of_all_dbm(gain_dbi: float, feed_loss_db: float, mode: RadioMode) -> float:
        return power_dbm(gain_dbi, feed_loss_db, Purpose.TREND, mode, all_sensors)

    def at(site: Site, antenna: AntennaClass, feed_loss_db: float, mode: RadioMode) -> float:
        if wish.power_dbm is not None:
            return mode.tx_power_dbm
        if site.role is not Role.SENSOR:
            return power_of_all_dbm(antenna.peak_gain_dbi[1], round(feed_loss_db, 6), mode)
        return power_dbm(antenna.peak_gain_dbi[1], round(feed_loss_db, 6), site.purpose, mode, (site,))

    return at


def lawful_at(base: Base, station: Station) -> bool:
    """Return whether the rules allow a station at its power, with its own antenna and the packets it sends or may forward."""
    wish, site = base.found.settings.radio_settings, station.site
    sensor = site.role is Role.SENSOR
    emission = emission_of(
        replace(station.radio, tx_power_dbm=station.tx_power_dbm),
        station.antenna.peak_gain_dbi[1],
        station.feed_loss_db,
        purpose=site.purpose if sensor else Purpose.TREND,
        licence=wish.licence,
        accepts=wish.accepts,
    )
    own = with_own_traffic(emission, (site,) if sensor else sensors_of(base))
    return legal_check(base.catalogue.region, own, look_elsewhere=False).lawful
