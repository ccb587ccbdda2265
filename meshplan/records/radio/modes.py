"""A class of radio at one rate, power and frequency: what a link is computed with."""

from __future__ import annotations

from dataclasses import dataclass
from math import floor
from typing import Final

from meshplan.errors import InputError, nearest_name
from meshplan.records.radio.classes import Modulation, RadioClass, RadioSetting, derived_sensitivity_dbm
from meshplan.records.radio.figure import Figure
from meshplan.records.radio_filters import CHIRP_TOLERANCE_SHARE, crystal_spread_khz

WIDE_AREA_HEADER_BYTES: Final = 13
"""What a wide-area network protocol puts around a payload: 1 type, 4 address, 1 control, 2 counter, 1 port, 4 code (ITU-T Y.4480
family, recalled)."""


WIDE_AREA_EMPTY_BYTES: Final = 12
"""Its empty frame, the acknowledgement: the same without a port (ITU-T Y.4480 family, recalled)."""


ACKNOWLEDGEMENT_BYTES: Final = 4
"""Acknowledgement of a simple network of one's own: two names and a sequence, its own header (common practice, no source)."""


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
