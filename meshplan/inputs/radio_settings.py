"""Reads one setting of a radio class: what its receiver's noise is, where modulation and crystals decide it."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any, Final

from meshplan.inputs.figure_tables import Table
from meshplan.records.radio import Figure, Modulation, RadioSetting
from meshplan.records.radio_filters import crystal_spread_khz, fsk_filter_khz, fsk_noise_khz, on_off_noise_khz
from meshplan.sources import Standing
from meshplan.units import noise_floor_dbm

SETTING_FIGURES: Final[dict[str, tuple[float, float]]] = {
    "bit_rate_bps": (10, 100e6),
    "noise_bandwidth_khz": (0.1, 160_000),
    "occupied_bandwidth_khz": (0.1, 160_000),
    "required_snr_db": (-30, 40),
    "implementation_loss_db": (0, 30),
    "design_sensitivity_dbm": (-160, -20),
    "max_payload_bytes": (1, 65_535),
}
"""Every figure of a setting, likewise."""

OPTIONAL_SETTING_FIGURES: Final[dict[str, tuple[float, float]]] = {"modulation_index": (0.1, 100), "design_loss_db": (0, 30)}
"""Figures of a setting from which others follow."""

NARROW_FILTER: Final = 0.97
"""Share of the noise bandwidth that both crystals ask for below which a stated one is refused (rounding)."""


@dataclass(frozen=True)
class NoiseRule:
    """What a class's crystals and modulation ask of its receiver's filter."""

    modulation: Modulation
    figures: dict[str, Figure]
    corrected: bool

    def filter_khz(self, bit_rate_bps: float, modulation_index: float) -> float:
        """Return the filter of a setting that is keyed by frequency."""
        return fsk_filter_khz(bit_rate_bps, modulation_index, self._spread_khz())

    def least_noise_khz(self, bit_rate_bps: float, modulation_index: float) -> float | None:
        """Return the noise bandwidth that the rule gives; None where the modulation brings its own reference."""
        if self.modulation in (Modulation.FSK, Modulation.GFSK):
            return fsk_noise_khz(bit_rate_bps, self.filter_khz(bit_rate_bps, modulation_index))
        if self.modulation is Modulation.OOK:
            return on_off_noise_khz(bit_rate_bps, self.figures["line_code_factor"].value, self._spread_khz())
        return None

    def _spread_khz(self) -> float:
        error_ppm = 0.0 if self.corrected else self.figures["frequency_error_ppm"].value
        return crystal_spread_khz(self.figures["band_mhz"].value, error_ppm, error_ppm)


def with_preamble(overhead: Figure, preamble: Figure) -> Figure:
    """Return the overhead of a frame with what the frequency correction needs before it."""
    if preamble.value == 0:
        return overhead
    return replace(
        overhead,
        value=overhead.value + preamble.value,
        low=None,
        high=None,
        source=f"{overhead.source}; {preamble.value:g} bytes of preamble for the frequency correction",
    )


def read_setting(table: Table, noise: NoiseRule) -> RadioSetting:
    """Build one setting of a class; noise bandwidth and design sensitivity follow from others where they are not stated."""
    table.allow(*SETTING_FIGURES, *OPTIONAL_SETTING_FIGURES, "name", "spreading_factor")
    keyed = noise.modulation in (Modulation.FSK, Modulation.GFSK)
    derived = {"noise_bandwidth_khz"} & {name for name in SETTING_FIGURES if keyed and name not in table.entry}
    if "design_sensitivity_dbm" not in table.entry and "design_loss_db" in table.entry:
        derived.add("design_sensitivity_dbm")
    figures = table.figures({name: limits for name, limits in SETTING_FIGURES.items() if name not in derived})
    more = {name: table.figure(name, *limits) for name, limits in OPTIONAL_SETTING_FIGURES.items() if name in table.entry}
    if "modulation_index" in more and not keyed:
        table.fault("only frequency shift keying has a modulation index.", "Take 'modulation_index' out.")
    if "noise_bandwidth_khz" in derived:
        more.setdefault("modulation_index", Figure(1.0, Standing.PRACTICE, "two tones one bit rate apart, taken by default"))
    _add_noise_bandwidth(table, noise, figures, more)
    if "design_sensitivity_dbm" in derived:
        loss = more["design_loss_db"]
        floor_dbm = noise_floor_dbm(figures["noise_bandwidth_khz"].value, noise.figures["noise_figure_db"].value)
        needed_db = figures["required_snr_db"].value + figures["implementation_loss_db"].value
        value_dbm = round(float(floor_dbm) + needed_db + loss.value, 1)
        figures["design_sensitivity_dbm"] = Figure(value_dbm, loss.standing, loss.source)
    spreading_factor = int(table.number("spreading_factor", 5, 12)) if "spreading_factor" in table.entry else None
    if noise.modulation is Modulation.CSS and spreading_factor is None:
        table.fault("'spreading_factor' is missing.", "Chirp spread spectrum needs a spreading factor from 5 to 12.")
    if noise.modulation is not Modulation.CSS and spreading_factor is not None:
        table.fault("only chirp spread spectrum has a spreading factor.", "Take 'spreading_factor' out.")
    return RadioSetting(name=table.text("name"), spreading_factor=spreading_factor, **figures, **more)


def _add_noise_bandwidth(table: Table, noise: NoiseRule, figures: dict[str, Any], more: dict[str, Figure]) -> None:
    """Fill in the noise bandwidth that the rule gives, or fault a stated one that two crystals of the class do not leave."""
    rate_bps = figures["bit_rate_bps"].value
    index = more["modulation_index"].value if "modulation_index" in more else 1.0
    least_khz = noise.least_noise_khz(rate_bps, index)
    stated: Figure | None = figures.get("noise_bandwidth_khz")
    if stated is None:
        assert least_khz is not None  # only frequency shift keying may leave it out
        filter_khz = noise.filter_khz(rate_bps, index)
        holds = "modulation" if noise.corrected else "modulation and the error of both crystals"
        more["filter_bandwidth_khz"] = Figure(round(filter_khz, 2), Standing.DERIVED, f"holds the {holds} (Carson's rule)")
        source = f"max(R, √(filter·R/2)), filter {filter_khz:.1f} kHz for {holds}"
        figures["noise_bandwidth_khz"] = Figure(round(least_khz, 3), Standing.DERIVED, source)
    elif least_khz is not None and not noise.corrected and stated.value < NARROW_FILTER * least_khz:
        error_ppm = noise.figures["frequency_error_ppm"].value
        table.fault(
            f"a noise bandwidth of {stated.value:g} kHz leaves no room for two crystals of ±{error_ppm:g} ppm "
            f"({least_khz:.1f} kHz).",
            "Leave noise_bandwidth_khz out, write a smaller frequency_error_ppm, or say with frequency_correction how the "
            "receiver finds its sender.",
        )
