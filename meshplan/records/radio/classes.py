"""Classes of radio as a maker can buy them, and the settings that each can be given."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, fields
from enum import StrEnum
from typing import Final

from meshplan.records.radio.figure import Figure
from meshplan.sources import Standing
from meshplan.units import noise_floor_dbm


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


OWN_HEADER: Final = Figure(5.0, Standing.PRACTICE, "2 name, 1 sequence, 1 battery and flags, 1 hop: common practice, no source")


CHECK: Final = Figure(2.0, Standing.PRACTICE, "16-bit check, common practice, no source")


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
