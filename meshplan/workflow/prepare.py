"""From a property folder to a landscape with stations: everything a calculation needs."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

from meshplan.assembly.running import Catalogue
from meshplan.assembly.traffic import emission_of, lawful_mode_for, with_own_traffic
from meshplan.errors import InputError
from meshplan.inputs.antennas import AntennaClass, CableClass, read_antennas, read_cables
from meshplan.inputs.property import Property, read_property
from meshplan.inputs.radios import read_batteries, read_boards, read_radio_classes, read_regions, read_solar
from meshplan.links.build_stations import build_stations
from meshplan.links.describe import Context
from meshplan.links.path_loss import PathSettings
from meshplan.links.seasons import hemisphere_of, seasons_named
from meshplan.links.stations import Station
from meshplan.operation.law import LegalVerdict, find_region, highest_lawful_power
from meshplan.propagation.ground import ground_constants
from meshplan.propagation.refraction import effective_earth_radius_km
from meshplan.propagation.seasons import Hemisphere, Season
from meshplan.radio_records import RadioClass, RadioMode, radio_mode
from meshplan.records import Purpose, Role, Site
from meshplan.terrain.landscape import Landscape, build_landscape


@dataclass(frozen=True, eq=False)
class Base:
    """A property as read, before any radio is chosen."""

    found: Property
    landscape: Landscape
    classes: dict[str, RadioClass]
    antennas: dict[str, AntennaClass]
    cables: dict[str, CableClass]
    catalogue: Catalogue
    seasons: tuple[Season, ...]
    hemisphere: Hemisphere


@dataclass(frozen=True, eq=False)
class Prepared:
    """A property ready for calculation with one radio."""

    base: Base
    radio: RadioMode
    lawfulness: LegalVerdict
    """What the rules say about the radio itself, before its traffic is known."""
    stations: tuple[Station, ...]
    path: PathSettings
    assumptions: tuple[str, ...]

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


def read_base(folder: Path, *, overrides: dict[str, Any] | None = None) -> Base:
    """Read a property and make its landscape.

    Parameters
    ----------
    folder : Path
        Folder with `property.toml`.
    overrides : dict, optional
        Settings in place of those in the file, with dotted keys.

    Raises
    ------
    MeshplanError
        Everything that is wrong with the input, all at once where it can be known at once.
    """
    found = read_property(folder, overrides=overrides)
    hemisphere = hemisphere_of(sum(site.lat_deg for site in found.sites) / len(found.sites))
    return Base(
        found=found,
        landscape=build_landscape(found.elevation, found.covers),
        classes=read_radio_classes(found.folder),
        antennas=read_antennas(found.folder),
        cables=read_cables(found.folder),
        catalogue=Catalogue(
            region=find_region(read_regions(found.folder), found.settings.country),
            batteries=read_batteries(found.folder),
            boards=read_boards(found.folder),
            solar=read_solar(),
        ),
        seasons=seasons_named(found.settings.seasons, hemisphere),
        hemisphere=hemisphere,
    )


def prepare(folder: Path, *, radio: str | None = None, overrides: dict[str, Any] | None = None) -> Prepared:
    """Read a property and equip it with a radio; `radio` names a class in place of the one in the file. Raises as `read_base`."""
    base = read_base(folder, overrides=overrides)
    return equip(base, radio or base.found.settings.radio[0])


def equip(base: Base, radio: str) -> Prepared:
    """Return a property with stations of one radio class at the frequency and power that rules and settings allow."""
    settings = base.found.settings
    mode, lawfulness = choose_mode(base, radio)
    stations, notes = build_stations(base.found.sites, base.landscape, mode, base.antennas, base.cables, settings, power_at(base))
    path = PathSettings(
        frequency_mhz=mode.frequency_mhz,
        earth_radius_km=float(effective_earth_radius_km(settings.terrain.k_factor)),
        polarisation=settings.antenna.polarisation,
        ground=ground_constants(settings.terrain.ground, mode.frequency_mhz),
    )
    assumptions = (*base.found.assumptions, *base.landscape.assumptions, *mode.assumptions, *notes)
    return Prepared(
        base=base,
        radio=mode,
        lawfulness=lawfulness,
        stations=stations,
        path=path,
        assumptions=tuple(dict.fromkeys(assumptions)),
    )


def choose_mode(base: Base, radio: str) -> tuple[RadioMode, LegalVerdict]:
    """Return the radio at the frequency and power that rules and settings allow, and what the rules say about it."""
    wish = base.found.settings.radio_settings
    mode = radio_mode(
        base.classes,
        radio,
        spreading_factor=wish.spreading_factor,
        bit_rate=wish.bit_rate_bps,
        power_dbm=wish.power_dbm,
        frequency_mhz=wish.frequency_mhz,
    )
    key = base.found.settings.antenna.sensor or mode.default_antenna
    gain_dbi = base.antennas[key].peak_gain_dbi[1] if key in base.antennas else 0.0
    emission = emission_of(mode, gain_dbi, 0.0, purpose=Purpose.TREND, licence=wish.licence)
    return lawful_mode_for(
        base.catalogue.region,
        emission,
        sensors_of(base),
        keep_power=wish.power_dbm is not None,
        keep_frequency=wish.frequency_mhz is not None,
    )


def sensors_of(base: Base) -> tuple[Site, ...]:
    """Return the sites that report."""
    return tuple(site for site in base.found.sites if site.role is Role.SENSOR)


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

    @cache
    def power_dbm(gain_dbi: float, feed_loss_db: float, purpose: Purpose, mode: RadioMode, sensors: tuple[Site, ...]) -> float:
        emission = emission_of(mode, gain_dbi, feed_loss_db, purpose=purpose, licence=wish.licence)
        power, verdict = highest_lawful_power(region, with_own_traffic(emission, sensors))
        return min(power, mode.tx_power_dbm) if verdict.lawful else mode.tx_power_dbm

    def at(site: Site, antenna: AntennaClass, feed_loss_db: float, mode: RadioMode) -> float:
        if wish.power_dbm is not None:
            return mode.tx_power_dbm
        if site.role is not Role.SENSOR:
            return power_dbm(antenna.peak_gain_dbi[1], round(feed_loss_db, 6), Purpose.TREND, mode, all_sensors)
        return power_dbm(antenna.peak_gain_dbi[1], round(feed_loss_db, 6), site.purpose, mode, (site,))

    return at
