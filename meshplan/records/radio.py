"""The nouns of radios, rules and power: classes, operating points, sub-bands, cells, boards, sunlight.

Radios are described by class, never by product. Every figure carries where it comes from and how well it is known.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, fields
from datetime import date
from enum import StrEnum
from math import floor, log10
from typing import Final

from meshplan.errors import InputError, nearest_name
from meshplan.records.radio_filters import CHIRP_TOLERANCE_SHARE, crystal_spread_khz
from meshplan.sources import Standing
from meshplan.units import ERP_TO_EIRP_DB, noise_floor_dbm, plural


class Modulation(StrEnum):
    """How the bits ride on the wave; decides time on air and required signal."""

    FSK = "fsk"
    """Two-tone frequency shift keying, non-coherent receiver."""
    GFSK = "gfsk"
    """Frequency shift keying with a Gaussian filter and a discriminator receiver."""
    OOK = "ook"
    """On-off keying, envelope receiver."""
    CSS = "css"
    """Chirp spread spectrum."""
    OQPSK = "oqpsk"
    """Offset quadrature phase keying with spreading (IEEE 802.15.4)."""
    DBPSK = "dbpsk"
    """Differential phase keying with spreading (IEEE 802.11, 1 Mbit/s)."""


class Direction(StrEnum):
    """Whether a class can hear as well as speak."""

    TWO_WAY = "two-way"
    ONE_WAY = "one-way"


class Technique(StrEnum):
    """How a transmitter spreads over channels, as rules tell them apart."""

    FIXED = "fixed"
    """Stays on one channel."""
    HOPPING = "hopping"
    """Changes channel by a pseudo-random list."""
    DIGITAL = "digital"
    """One wide digital channel (6 dB bandwidth of at least 500 kHz in the American rules)."""
    HYBRID = "hybrid"
    """Hops with a channel narrower than the digital class (47 CFR 15.247(f))."""


@dataclass(frozen=True)
class Figure:
    """A number with its standing and source; `low` and `high` bound it where the class spreads."""

    value: float
    standing: Standing
    source: str
    low: float | None = None
    high: float | None = None

    @property
    def needs_check(self) -> bool:
        """Whether the output marks the figure "check"."""
        return self.standing.needs_check


OWN_HEADER: Final = Figure(5.0, Standing.PRACTICE, "2 name, 1 sequence, 1 battery and flags, 1 hop: common practice, no source")
CHECK: Final = Figure(2.0, Standing.PRACTICE, "16-bit check, common practice, no source")

WIDE_AREA_HEADER_BYTES: Final = 13
"""What a wide-area network protocol puts around a payload: 1 type, 4 address, 1 control, 2 counter, 1 port, 4 code (ITU-T Y.4480
family, recalled)."""

WIDE_AREA_EMPTY_BYTES: Final = 12
"""Its empty frame, the acknowledgement: the same without a port (ITU-T Y.4480 family, recalled)."""

ACKNOWLEDGEMENT_BYTES: Final = 4
"""Acknowledgement of a simple network of one's own: two names and a sequence, its own header (common practice, no source)."""


@dataclass(frozen=True)
class RadioSetting:
    """One rate or spreading factor that a class can be set to."""

    name: str
    bit_rate_bps: Figure
    noise_bandwidth_khz: Figure
    """Bandwidth that the required signal-to-noise ratio refers to."""
    occupied_bandwidth_khz: Figure
    """Bandwidth on the air, for band edges and power density."""
    required_snr_db: Figure
    """Signal-to-noise ratio in the noise bandwidth (Eb/N0 where that bandwidth equals the bit rate)."""
    implementation_loss_db: Figure
    design_sensitivity_dbm: Figure
    max_payload_bytes: Figure
    spreading_factor: int | None = None
    modulation_index: Figure | None = None
    """Distance of the two tones over the bit rate; frequency shift keying only."""
    filter_bandwidth_khz: Figure | None = None
    """Receiver filter that the noise bandwidth comes from, where it is derived."""
    design_loss_db: Figure | None = None
    """What real modules lose to the derived sensitivity, where the design sensitivity comes from it."""


@dataclass(frozen=True)
class RadioClass:
    """A class of radio as a maker can buy it."""

    key: str
    title: str
    group: str
    modulation: Modulation
    direction: Direction
    band_mhz: Figure
    """Default frequency; low and high are the tuning range."""
    tx_power_dbm: Figure
    noise_figure_db: Figure
    settings: tuple[RadioSetting, ...]
    default_setting: str
    tx_current_ma: Figure
    rx_current_ma: Figure
    sleep_current_ua: Figure
    wake_ms: Figure
    """Time the receiver or host is up around each packet beyond the air time (start, scan, connect)."""
    supply_v: Figure
    interface_wires: Figure
    price: Figure
    antenna_gain_dbi: Figure
    frequency_error_ppm: Figure
    frame_overhead_bytes: Figure
    frame_overhead_us: Figure
    line_code_factor: Figure
    repeats: Figure
    channel_step_khz: Figure
    interface: str
    supply_note: str
    antenna: str
    techniques: tuple[Technique, ...]
    addressing: bool
    acknowledged: bool
    relay_capable: bool
    can_listen_first: bool
    licence_required: bool = False
    snr_cap_db: Figure | None = None
    """Largest signal-to-noise ratio that its receiver reports; None where nobody says."""
    frequency_correction: str = ""
    """How the receiver finds the sender's frequency; empty: it does not, and its filter must hold both crystals' errors."""
    correction_preamble_bytes: Figure | None = None
    """What the correction needs on the air, contained in `frame_overhead_bytes`."""
    capacitor_at_pins: bool = False
    """Whether the supply pins of the module want a capacitor of their own."""
    preamble_symbols: int = 8
    coding_rate_index: int = 1
    notes: tuple[str, ...] = ()
    origin: str = "packaged catalogue"
    header_bytes: Figure = OWN_HEADER
    """What a program of one's own writes before each payload and the frame of the class does not carry already."""
    check_bytes: Figure = CHECK
    """Check bytes among `frame_overhead_bytes`; a chirp counts its own in the symbol formula."""
    acknowledgement_bytes: Figure | None = None
    """Whole acknowledgement on the air, preamble included, by the standard of the class; None: that of a network of one's own."""

    @property
    def one_way(self) -> bool:
        """Whether the sender cannot hear."""
        return self.direction is Direction.ONE_WAY

    def figures(self) -> Iterator[tuple[str, Figure]]:
        """Yield every figure with its name; settings are named 'setting SF7: …'."""
        for field in fields(self):
            value = getattr(self, field.name)
            if isinstance(value, Figure):
                yield field.name, value
        for setting in self.settings:
            for field in fields(setting):
                value = getattr(setting, field.name)
                if isinstance(value, Figure):
                    yield f"setting {setting.name}: {field.name}", value

    def to_check(self) -> tuple[str, ...]:
        """Return the names of the figures that the output marks "check"."""
        return tuple(name for name, figure in self.figures() if figure.needs_check)


@dataclass(frozen=True)
class RadioMode:
    """A radio class at one rate, power and frequency: what a link is computed with."""

    class_key: str
    name: str
    title: str
    setting: str
    modulation: Modulation
    frequency_mhz: float
    tx_power_dbm: float
    sensitivity_dbm: float
    """Design sensitivity: what a planner should count on."""
    derived_sensitivity_dbm: float
    bandwidth_khz: float
    """Noise bandwidth, the one `required_snr_db` refers to."""
    occupied_bandwidth_khz: float
    bit_rate_bps: float
    required_snr_db: float
    implementation_loss_db: float
    noise_figure_db: float
    spreading_factor: int | None
    default_antenna: str
    default_antenna_gain_dbi: float
    tx_only: bool
    """The node with this radio cannot hear."""
    rx_only: bool
    """The far end of a one-way pair: it cannot speak."""
    acknowledged: bool
    max_payload_bytes: int
    assumptions: tuple[str, ...]
    """What was taken by default, in sentences."""
    notes: tuple[str, ...]
    """Figures to check before relying on them."""
    radio: RadioClass
    header_bytes: int
    """Before each payload, besides the frame of the class."""
    acknowledgement_bytes: int
    """Whole acknowledgement: besides the frame of the class, or with preamble and all where `acknowledgement_is_whole`."""
    acknowledgement_is_whole: bool = False
    """Whether the acknowledgement is one of the standard of the class, without its data frame around it."""
    hops: bool | None = None
    """Whether the network changes channel from packet to packet; None: not settled, each row of the rules as it needs it."""
    frequency_note: str = ""
    power_note: str = ""
    """The lines of `assumptions` on frequency and power; empty where the user named them."""


def chirp_bit_rate_bps(spreading_factor: int, bandwidth_khz: float, coding_rate_index: int = 1) -> float:
    """Return the bit rate of chirp spread spectrum after coding: SF·BW/2^SF·4/(4+CR)."""
    symbols_per_s = bandwidth_khz * 1000.0 / float(2**spreading_factor)
    return spreading_factor * symbols_per_s * 4.0 / (4.0 + coding_rate_index)


def derived_sensitivity_dbm(radio: RadioClass, setting: RadioSetting) -> float:
    """Return the sensitivity that noise, bandwidth and required signal give: the floor below which nothing is heard."""
    return (
        float(noise_floor_dbm(setting.noise_bandwidth_khz.value, radio.noise_figure_db.value))
        + setting.required_snr_db.value
        + setting.implementation_loss_db.value
    )


class Condition(StrEnum):
    """What a rule asks for that no table can see: the user answers for it in `radio_settings.accepts`."""

    HOPPING = "hopping"
    HYBRID = "hybrid"
    DENSITY = "density"
    DIGITAL_MODULATION = "digital-modulation"
    CARRIER_SENSE = "carrier-sense"
    POLITE_ACCESS = "polite-access"
    """Listening before sending and a change of channel when it is busy; lifts European duty limits."""
    TIMING = "timing"
    CHANNEL_LIST = "channel-list"
    POINT_TO_POINT = "point-to-point"
    DATA_NETWORK = "data-network"
    COUNTRY_OPENED = "country-opened"
    TYPE_APPROVED = "type-approved"
    REGISTERED = "registered"
    METERING = "metering"
    CONTROL = "control"
    ALARM = "alarm"


OF_USE: Final = (Condition.REGISTERED, Condition.METERING, Condition.CONTROL, Condition.ALARM)
"""Conditions that say what the whole network is for: rows reserved for that are not allowed for data."""


class LimitKind(StrEnum):
    """What a power limit is measured against."""

    EIRP = "eirp"
    ERP = "erp"
    CONDUCTED = "conducted"
    FIELD = "field"


@dataclass(frozen=True)
class SubBand:
    """One row of a country's table: where, how strong, how often."""

    key: str
    rule: str
    low_mhz: float
    high_mhz: float
    limit_kind: LimitKind
    limit: float
    """dBm for EIRP, ERP and conducted limits; microvolt per metre at 3 m for a field limit. At `low_mhz`."""
    standing: Standing
    source: str
    checked: date
    document: str = ""
    clause: str = ""
    limit_high_end: float | None = None
    """Limit at `high_mhz` where it climbs evenly with frequency."""
    free_gain_dbi: float = 0.0
    """For conducted limits: antenna gain above which the power must fall dB for dB."""
    duty_limit: float | None = None
    duty_period_s: float = 3600.0
    listen_first: str = "no"
    """'no', 'instead' (polite access replaces the duty limit) or 'required'."""
    needs_agility: bool = False
    """Whether polite access also asks to change the channel when it is busy: a sender on one fixed channel cannot claim it."""
    polite_duty_limit: float | None = None
    polite_max_airtime_ms: float | None = None
    max_bandwidth_khz: float | None = None
    max_bandwidth_share: float | None = None
    """Largest occupied bandwidth as a share of the frequency."""
    min_bandwidth_khz: float | None = None
    density_dbm: float | None = None
    density_khz: float | None = None
    density_from_khz: float = 0.0
    """Bandwidth from which the density limit applies."""
    density_exempts_hopping: bool = False
    max_airtime_ms: float | None = None
    min_silence_s: float | None = None
    silence_ratio: float | None = None
    periodic_allowed: bool = True
    techniques: tuple[Technique, ...] = ()
    """Empty: any technique."""
    uses: tuple[str, ...] = ()
    """Empty: any use; otherwise only these, such as 'alarm'."""
    min_channels: int | None = None
    """Channels that a hopping sender must use."""
    occupancy_window_s: float | None = None
    """Time in which `max_airtime_ms` counts for each channel of a hopper."""
    channels_mhz: tuple[float, ...] = ()
    """Middles of the channels that the row is for; empty: the whole band."""
    channel_width_khz: float | None = None
    condition_keys: tuple[Condition, ...] = ()
    """What the user must do or have and no table can see; without any the row is unconditional."""
    condition: str = ""
    """The conditions, or what the row is reserved for, in one sentence."""
    medium_use_limit: float | None = None
    """Power over 100 mW times duty, for senders from 10 dBm that do not adapt (EN 300 328)."""
    note: str = ""

    def holds(self, frequency_mhz: float) -> bool:
        """Return whether a frequency lies in the row: in its band, and in one of its channels where it has some."""
        if not self.low_mhz <= frequency_mhz <= self.high_mhz:
            return False
        nearest = self.nearest_channel_mhz(frequency_mhz)
        return nearest is None or abs(frequency_mhz - nearest) * 2000.0 <= (self.channel_width_khz or 0.0) + 1e-6

    def nearest_channel_mhz(self, frequency_mhz: float) -> float | None:
        """Return the middle of the nearest channel; None where the row is for the whole band."""
        return min(self.channels_mhz, key=lambda middle: abs(middle - frequency_mhz)) if self.channels_mhz else None

    def eirp_cap_dbm(self, frequency_mhz: float) -> float:
        """Return the limit at a frequency as dBm EIRP.

        Notes
        -----
        Source
            ERP: ITU-R BS.561 (2.15 dB). Field: EIRP = E²d²/30 at d = 3 m, free space.
        """
        limit: float = self.limit
        if self.limit_high_end is not None:
            share = (frequency_mhz - self.low_mhz) / (self.high_mhz - self.low_mhz)
            limit += min(1.0, max(0.0, share)) * (self.limit_high_end - self.limit)
        if self.limit_kind is LimitKind.ERP:
            return limit + ERP_TO_EIRP_DB
        if self.limit_kind is LimitKind.CONDUCTED:
            return limit + self.free_gain_dbi
        if self.limit_kind is LimitKind.FIELD:
            return field_strength_to_eirp_dbm(limit)
        return limit

    @property
    def needs_check(self) -> bool:
        """Whether the output marks the row "check"."""
        return self.standing.needs_check


def field_strength_to_eirp_dbm(field_uv_per_m: float, distance_m: float = 3.0) -> float:
    """Return the EIRP in dBm that makes a field strength at a distance in free space.

    Notes
    -----
    Source
        P = E²·d²/30, from power density P/(4πd²) = E²/(120π).
    """
    watt = (field_uv_per_m * 1e-6 * distance_m) ** 2 / 30.0
    return 10.0 * log10(watt * 1000.0)


@dataclass(frozen=True)
class Region:
    """A country's or region's licence-exempt rules, as planning defaults with a date."""

    key: str
    title: str
    checked: date
    sub_bands: tuple[SubBand, ...]
    known: bool = True
    """False for the conservative stand-in of an unknown country."""
    note: str = ""
    aliases: tuple[str, ...] = ()
    """Other names for it, and countries that follow its table."""


@dataclass(frozen=True)
class CellVoltage:
    """Voltage of one cell as it empties, and what load and frost take from it."""

    used_percent: tuple[float, ...]
    volt: tuple[float, ...]
    highest_v: float
    """Of a fresh cell without load, or at the end of charging."""
    shift_at_minus_20c_v: float
    ohm_fresh: float
    ohm_empty: float
    ohm_factor_at_minus_20c: float
    standing: Standing
    source: str


@dataclass(frozen=True)
class Regulator:
    """A kind of voltage regulator."""

    key: str
    title: str
    kind: str
    """'linear', 'step-down' or 'step-up'."""
    quiescent_ua: Figure
    efficiency: Figure
    drop_v: Figure
    lowest_v: Figure
    highest_v: Figure
    most_ma: Figure


@dataclass(frozen=True)
class Battery:
    """A cell kind."""

    key: str
    title: str
    capacity_mah: Figure
    nominal_v: Figure
    self_discharge_per_year: Figure
    cold_factor_minus_20c: Figure
    shelf_life_years: Figure
    end_factor: Figure
    depth_of_discharge: Figure
    max_pulse_ma: Figure
    max_temperature_c: Figure
    rechargeable: bool
    charge_min_c: float | None = None
    charge_max_c: float | None = None
    cautions: tuple[str, ...] = ()
    voltage: CellVoltage | None = None
    """None where nobody says: its supply cannot be judged then."""
    words: str = ""
    """One of them, as a sentence has it; empty: its title."""

    @property
    def one(self) -> str:
        """One of them in words."""
        return self.words or self.title

    @property
    def several(self) -> str:
        """Several of them in words."""
        return plural(self.one)


@dataclass(frozen=True)
class Board:
    """A kind of board around the radio."""

    key: str
    title: str
    sleep_current_ua: Figure
    active_current_ma: Figure
    active_ms: Figure
    supply_v: Figure
    note: str = ""
    regulated_v: float | None = None
    """Voltage that its own regulator gives the radio; None without one."""
    regulated_ma: float = 0.0
    """Most current of that regulator."""


@dataclass(frozen=True)
class SunBand:
    """Sun in the worst month for a range of latitudes."""

    latitude_low_deg: float
    latitude_high_deg: float
    peak_sun_hours: Figure
    autonomy_days: Figure


@dataclass(frozen=True)
class SolarTable:
    """Defaults of solar sizing."""

    bands: tuple[SunBand, ...]
    charger_efficiency_linear: Figure
    charger_efficiency_tracking: Figure
    recharge_factor: Figure
    canopy_factor: Figure
    snow_days: Figure


def radio_mode(
    classes: dict[str, RadioClass],
    key: str,
    *,
    spreading_factor: int | None = None,
    bit_rate: float | None = None,
    power_dbm: float | None = None,
    frequency_mhz: float | None = None,
    setting: str | None = None,
    wide_area: bool = False,
) -> RadioMode:
    """Return a class at one operating point; what is not stated is taken by default and said in `assumptions`.

    Parameters
    ----------
    classes : dict
        From `meshplan.inputs.radios.read_radio_classes`.
    key : str
        Name of the class, or of a class with one of its settings: `css-868` or `css-868-sf7`.
    spreading_factor : int, optional
        For chirp spread spectrum.
    bit_rate : float, optional
        Bits per second.
    setting : str, optional
        Name of a setting, instead of spreading factor or bit rate.
    power_dbm, frequency_mhz : float, optional
        Within what the class can do.
    wide_area : bool
        Whether a chirp class speaks a wide-area network protocol instead of a simple one of one's own.
    """
    if key not in classes:
        key, setting = _split_setting(classes, key, setting)
    if key not in classes:
        raise InputError(
            f"radio class '{key}' is not known.{nearest_name(key, classes)}",
            where="radio class",
            fix=f"Take one of: {', '.join(sorted(classes))}; a setting may follow, as in css-868-sf7.",
        )
    radio = classes[key]
    assumptions: list[str] = []
    chosen = _chosen_setting(radio, spreading_factor, bit_rate, setting, assumptions)
    frequency, frequency_note = _within(radio, "frequency_mhz", "MHz", frequency_mhz, radio.band_mhz)
    power, power_note = _within(radio, "power_dbm", "dBm", power_dbm, radio.tx_power_dbm)
    assumptions.extend(note for note in (frequency_note, power_note) if note)
    if radio.acknowledged is False:
        assumptions.append("No acknowledgement: a lost packet stays lost, repeats are sent blindly.")
    several = len(radio.settings) > 1
    wide, standard = wide_area and radio.modulation is Modulation.CSS, radio.acknowledgement_bytes
    if wide_area:
        assumptions.append(
            f"Wide-area protocol: {WIDE_AREA_HEADER_BYTES} bytes around each payload; relays must be of a kind that it knows."
            if wide
            else f"{radio.title} is no chirp class: radio_settings.protocol does not apply to it."
        )
    return RadioMode(
        class_key=key,
        name=f"{key}-{chosen.name.lower()}" if several else key,
        title=f"{radio.title}, {chosen.name}" if several else radio.title,
        setting=chosen.name,
        modulation=radio.modulation,
        frequency_mhz=frequency,
        tx_power_dbm=power,
        sensitivity_dbm=chosen.design_sensitivity_dbm.value,
        derived_sensitivity_dbm=derived_sensitivity_dbm(radio, chosen),
        bandwidth_khz=chosen.noise_bandwidth_khz.value,
        occupied_bandwidth_khz=chosen.occupied_bandwidth_khz.value,
        bit_rate_bps=chosen.bit_rate_bps.value,
        required_snr_db=chosen.required_snr_db.value,
        implementation_loss_db=chosen.implementation_loss_db.value,
        noise_figure_db=radio.noise_figure_db.value,
        spreading_factor=chosen.spreading_factor,
        default_antenna=radio.antenna,
        default_antenna_gain_dbi=radio.antenna_gain_dbi.value,
        tx_only=radio.one_way,
        rx_only=False,
        acknowledged=radio.acknowledged,
        max_payload_bytes=int(chosen.max_payload_bytes.value),
        assumptions=tuple(assumptions),
        notes=_figures_to_check(radio, chosen),
        radio=radio,
        header_bytes=WIDE_AREA_HEADER_BYTES if wide else int(radio.header_bytes.value),
        acknowledgement_bytes=WIDE_AREA_EMPTY_BYTES if wide else int(standard.value) if standard else ACKNOWLEDGEMENT_BYTES,
        acknowledgement_is_whole=not wide and standard is not None,
        frequency_note=frequency_note,
        power_note=power_note,
    )


def _split_setting(classes: dict[str, RadioClass], key: str, setting: str | None) -> tuple[str, str | None]:
    """Return class and setting of a name such as css-868-sf7; the name as it stands if it is no such pair."""
    for name, radio in classes.items():
        for each in radio.settings:
            if setting is None and key.casefold() == f"{name}-{each.name}".casefold():
                return name, each.name
    return key, setting


def _chosen_setting(
    radio: RadioClass,
    spreading_factor: int | None,
    bit_rate: float | None,
    setting: str | None,
    assumptions: list[str],
) -> RadioSetting:
    """Return the setting that fits every wish, or say which there are."""
    fits = [
        each
        for each in radio.settings
        if (spreading_factor is None or each.spreading_factor == spreading_factor)
        and (bit_rate is None or abs(each.bit_rate_bps.value - bit_rate) <= 0.01 * each.bit_rate_bps.value)
        and (setting is None or each.name.casefold() == setting.casefold())
    ]
    if not fits:
        wishes = [f"spreading factor {spreading_factor}"] if spreading_factor is not None else []
        wishes += [f"{bit_rate:g} bit/s"] if bit_rate is not None else []
        wishes += [f"setting '{setting}'"] if setting is not None else []
        raise InputError(
            f"radio class '{radio.key}' has no {' with '.join(wishes)}.",
            where="radio class",
            fix=f"Take one of its settings: {', '.join(each.name for each in radio.settings)}.",
        )
    default = next((each for each in fits if each.name == radio.default_setting), fits[0])
    if len(fits) > 1:
        assumptions.append(f"Setting {default.name} taken by default ({default.bit_rate_bps.value:g} bit/s).")
    return default


def _within(radio: RadioClass, name: str, unit: str, wish: float | None, figure: Figure) -> tuple[float, str]:
    """Return the wish if the class can do it; the default, and that it was taken, if there is none."""
    if wish is None:
        return figure.value, f"{name.partition('_')[0].capitalize()} {figure.value:g} {unit} taken by default."
    low = figure.value if figure.low is None else figure.low
    high = figure.value if figure.high is None else figure.high
    if not low <= wish <= high:
        raise InputError(
            f"radio class '{radio.key}' cannot do {wish:g} {unit}.",
            where=name,
            fix=f"Stay between {low:g} and {high:g} {unit}, or describe another class in radios.toml.",
        )
    return wish, ""


def _figures_to_check(radio: RadioClass, setting: RadioSetting) -> tuple[str, ...]:
    """Return the figures of the link budget whose standing asks for a check, in words."""
    wanted: tuple[tuple[str, Figure, str], ...] = (
        ("transmit power", radio.tx_power_dbm, "dBm"),
        ("noise figure", radio.noise_figure_db, "dB"),
        ("antenna gain", radio.antenna_gain_dbi, "dBi"),
        ("required signal-to-noise ratio", setting.required_snr_db, "dB"),
        ("implementation loss", setting.implementation_loss_db, "dB"),
        ("design sensitivity", setting.design_sensitivity_dbm, "dBm"),
        ("occupied bandwidth", setting.occupied_bandwidth_khz, "kHz"),
    )
    return tuple(
        f"check {name} {figure.value:g} {unit} ({figure.standing.value}: {figure.source})"
        for name, figure, unit in wanted
        if figure.needs_check
    ) + _chirp_crystals(radio, setting)


def _chirp_crystals(radio: RadioClass, setting: RadioSetting) -> tuple[str, ...]:
    """Return a warning where two crystals of the class may lie further apart than a chirp of this width stands."""
    if radio.modulation is not Modulation.CSS:
        return ()
    stands_khz = CHIRP_TOLERANCE_SHARE * setting.noise_bandwidth_khz.value
    error_ppm, frequency_mhz = radio.frequency_error_ppm.value, radio.band_mhz.value
    apart_khz = crystal_spread_khz(frequency_mhz, error_ppm, error_ppm)
    if apart_khz <= stands_khz:
        return ()
    best_ppm = floor(stands_khz / frequency_mhz * 1e3 / 2.0)
    return (
        f"check the crystals: two of ±{error_ppm:g} ppm may lie {apart_khz:.0f} kHz apart, a chirp of "
        f"{setting.noise_bandwidth_khz.value:g} kHz stands about {stands_khz:.0f} kHz; take modules of ±{best_ppm} ppm or better",
    )
