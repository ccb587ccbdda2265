"""Reads the catalogue of radio classes, rules, cells, boards and sunlight, and what the user adds to it.

Packaged tables come first; `radios.toml`, `regions.toml`, `batteries.toml` and `boards.toml` in the property folder add entries
or override parts of them, in the same form. All faults of a file are told at once.
"""

from __future__ import annotations

from datetime import date
from itertools import pairwise
from math import isclose
from pathlib import Path
from typing import Any, Final

from meshplan.errors import raise_faults
from meshplan.inputs.catalogue import packaged, read_tables
from meshplan.inputs.figure_tables import Table, TableFile
from meshplan.inputs.radio_settings import NoiseRule, read_setting, with_preamble
from meshplan.records.radio import (
    Battery,
    Board,
    CellVoltage,
    Condition,
    Direction,
    LimitKind,
    Modulation,
    RadioClass,
    Region,
    Regulator,
    SolarTable,
    SubBand,
    SunBand,
    Technique,
    chirp_bit_rate_bps,
    derived_sensitivity_dbm,
)

CLASS_FIGURES: Final[dict[str, tuple[float, float]]] = {
    "band_mhz": (100, 6000),
    "tx_power_dbm": (-40, 40),
    "noise_figure_db": (0, 30),
    "tx_current_ma": (0.1, 10_000),
    "rx_current_ma": (0.01, 2_000),
    "sleep_current_ua": (0, 1_000_000),
    "wake_ms": (0, 60_000),
    "supply_v": (0.8, 60),
    "interface_wires": (0, 40),
    "price": (0, 10_000),
    "antenna_gain_dbi": (-40, 30),
    "frequency_error_ppm": (0, 1_000),
    "frame_overhead_bytes": (0, 500),
    "frame_overhead_us": (0, 100_000),
    "line_code_factor": (1, 8),
    "repeats": (1, 100),
    "channel_step_khz": (0, 100_000),
}
"""Every figure of a class, with the smallest and largest value that is not taken for a slip."""

OPTIONAL_FIGURES: Final[dict[str, tuple[float, float]]] = {
    "header_bytes": (0, 100),
    "check_bytes": (0, 16),
    "acknowledgement_bytes": (1, 255),
    "snr_cap_db": (0, 80),
    "correction_preamble_bytes": (0, 100),
}
"""Figures that a class may leave out: `RadioClass` has a default for each."""

BEYOND_PHYSICS_DB: Final = 0.5
"""A design sensitivity may lie this far below the derived one (rounding) before it is called impossible."""


def read_radio_classes(property_folder: Path | None = None) -> dict[str, RadioClass]:
    """Return all radio classes by key: the packaged ones and those of `radios.toml` in the property folder."""
    return read_tables(property_folder, "radio_classes.toml", "radios.toml", "classes", _radio_class)


def read_regions(property_folder: Path | None = None) -> dict[str, Region]:
    """Return the rules of all regions by key; `regions.toml` in the property folder may add or override."""
    return read_tables(property_folder, "regions.toml", "regions.toml", "regions", _region)


def read_batteries(property_folder: Path | None = None) -> dict[str, Battery]:
    """Return all cell kinds by key; `batteries.toml` in the property folder may add or override."""
    return read_tables(property_folder, "batteries.toml", "batteries.toml", "batteries", _battery)


def read_boards(property_folder: Path | None = None) -> dict[str, Board]:
    """Return all kinds of board by key; `boards.toml` in the property folder may add or override."""
    return read_tables(property_folder, "boards.toml", "boards.toml", "boards", _board)


def read_regulators(property_folder: Path | None = None) -> dict[str, Regulator]:
    """Return all kinds of regulator by key; `regulators.toml` in the property folder may add or override."""
    return read_tables(property_folder, "regulators.toml", "regulators.toml", "regulators", _regulator)


def read_solar() -> SolarTable:
    """Return the packaged defaults of solar sizing."""
    document = packaged("solar.toml")
    file = TableFile("solar.toml", document, packaged=True)
    figures = Table(file, "figures", document["figures"])
    bands = []
    for number, entry in enumerate(document["bands"], 1):
        table = Table(file, f"bands, entry {number}", entry)
        bands.append(
            SunBand(
                latitude_low_deg=table.number("latitude_low_deg", 0, 90),
                latitude_high_deg=table.number("latitude_high_deg", 0, 90),
                peak_sun_hours=table.figure("peak_sun_hours", 0, 12),
                autonomy_days=table.figure("autonomy_days", 1, 60),
            )
        )
    solar = SolarTable(
        bands=tuple(bands),
        charger_efficiency_linear=figures.figure("charger_efficiency_linear", 0.1, 1),
        charger_efficiency_tracking=figures.figure("charger_efficiency_tracking", 0.1, 1),
        recharge_factor=figures.figure("recharge_factor", 1, 3),
        canopy_factor=figures.figure("canopy_factor", 0.01, 1),
        snow_days=figures.figure("snow_days", 0, 60),
    )
    raise_faults(file.faults)
    return solar


def _radio_class(key: str, table: Table) -> RadioClass | None:
    """Build one class; faults are gathered in the file."""
    before = len(table.file.faults)
    table.allow(
        *CLASS_FIGURES, *OPTIONAL_FIGURES,
        "title", "group", "modulation", "direction", "interface", "supply_note", "antenna", "techniques", "addressing",
        "acknowledged", "relay_capable", "can_listen_first", "licence_required", "capacitor_at_pins",
        "preamble_symbols", "coding_rate_index", "frequency_correction",
        "default_setting", "notes", "settings",
    )  # fmt: skip
    modulation = table.choice("modulation", Modulation)
    figures = table.figures(CLASS_FIGURES)
    more = table.figures({name: limits for name, limits in OPTIONAL_FIGURES.items() if name in table.entry})
    correction = table.text("frequency_correction", "")
    if bool(correction) != ("correction_preamble_bytes" in more):
        table.fault(
            "a receiver that corrects its frequency needs words that say how, and what it costs.",
            'Write frequency_correction = "a few words" and correction_preamble_bytes = 2 to 4, or neither.',
        )
    elif correction:
        figures["frame_overhead_bytes"] = with_preamble(figures["frame_overhead_bytes"], more["correction_preamble_bytes"])
    if modulation is Modulation.CSS and "acknowledgement_bytes" in more:
        table.fault("an acknowledgement of its own length is not counted for a chirp class.", "Leave acknowledgement_bytes out.")
    noise = NoiseRule(modulation, figures, corrected=bool(correction))
    settings = tuple(
        read_setting(Table(table.file, f"{table.where}, setting {number}", entry, parent=table), noise)
        for number, entry in enumerate(table.entries("settings"), 1)
    )
    names = [setting.name for setting in settings]
    default = table.text("default_setting", names[0] if names else "")
    if names and default not in names:
        table.fault(f"the default setting '{default}' is none of its settings.", f"Take one of: {', '.join(names)}.")
    for name in sorted({name for name in names if names.count(name) > 1}):
        table.fault(f"there are two settings '{name}'.", "Give each setting its own name.")
    if not settings:
        table.fault("it has no settings.", "Write at least one entry under settings, with bit rate and bandwidth.")
    direction = table.choice("direction", Direction)
    acknowledged = table.flag("acknowledged", False)
    if direction is Direction.ONE_WAY and (acknowledged or table.flag("relay_capable", False)):
        table.fault("a one-way class can neither acknowledge nor relay.", "Set acknowledged and relay_capable to false.")
    relay_capable = table.flag("relay_capable", False)
    text = {
        name: table.text(name, "" if name != "group" else "own classes")
        for name in ("title", "group", "interface", "supply_note", "antenna")
    }
    arguments = {**figures, **more, **text}
    radio = RadioClass(
        key=key,
        modulation=modulation,
        direction=direction,
        settings=settings,
        default_setting=default,
        techniques=tuple(table.choices("techniques", Technique)) or (Technique.FIXED,),
        addressing=table.flag("addressing", False),
        acknowledged=acknowledged,
        relay_capable=relay_capable,
        can_listen_first=table.flag("can_listen_first", False),
        licence_required=table.flag("licence_required", False),
        capacitor_at_pins=table.flag("capacitor_at_pins", False),
        preamble_symbols=int(table.number("preamble_symbols", 1, 65_535, 8)),
        coding_rate_index=int(table.number("coding_rate_index", 1, 4, 1)),
        frequency_correction=correction,
        notes=table.texts("notes"),
        origin=table.file.origin,
        **arguments,
    )
    if len(table.file.faults) > before:
        return None
    _check_physics(table, radio)
    return radio


def _check_physics(table: Table, radio: RadioClass) -> None:
    """Fault what cannot be: a receiver better than its own noise, a rate that does not match its spreading."""
    for setting in radio.settings:
        derived = derived_sensitivity_dbm(radio, setting)
        if setting.design_sensitivity_dbm.value < derived - BEYOND_PHYSICS_DB:
            table.fault(
                f"setting {setting.name}: a design sensitivity of {setting.design_sensitivity_dbm.value:g} dBm is better than "
                f"noise, bandwidth and required signal allow ({derived:.1f} dBm).",
                "Correct design_sensitivity_dbm, noise_figure_db, noise_bandwidth_khz or required_snr_db.",
            )
        if setting.spreading_factor is not None:
            rate = chirp_bit_rate_bps(setting.spreading_factor, setting.noise_bandwidth_khz.value, radio.coding_rate_index)
            if not isclose(setting.bit_rate_bps.value, rate, rel_tol=0.01):
                table.fault(
                    f"setting {setting.name}: {setting.bit_rate_bps.value:g} bit/s does not follow from spreading factor "
                    f"{setting.spreading_factor} and {setting.noise_bandwidth_khz.value:g} kHz ({rate:.0f} bit/s).",
                    "Correct bit_rate_bps, spreading_factor or noise_bandwidth_khz.",
                )


def _region(key: str, table: Table) -> Region:
    table.allow("title", "checked", "note", "known", "aliases", "sub_bands", "only")
    entries = table.entries("sub_bands")
    only = table.texts("only")
    known = {str(entry.get("key")) for entry in entries}
    for name in only:
        if name not in known:
            table.fault(f"'only' names '{name}', which is no row.", f"Take from: {', '.join(sorted(map(str, known)))}.")
    checked = table.day("checked")
    rows = tuple(
        _sub_band(Table(table.file, f"{table.where}, row {number}", entry, parent=table), checked)
        for number, entry in enumerate(entries, 1)
        if not only or entry.get("key") in only
    )
    if not rows:
        table.fault("it has no rows.", "Write at least one entry under sub_bands.")
    return Region(
        key=key,
        title=table.text("title"),
        checked=checked,
        sub_bands=rows,
        known=table.flag("known", True),
        note=table.text("note", ""),
        aliases=table.texts("aliases"),
    )


def _sub_band(table: Table, checked: date) -> SubBand:
    """Build one row of a region."""
    low, high = table.number("low_mhz", 1, 300_000), table.number("high_mhz", 1, 300_000)
    if high <= low:
        table.fault(f"the row ends at {high:g} MHz, not above {low:g} MHz.", "Swap low_mhz and high_mhz, or correct one.")
    optional = {
        "limit_high_end": (-60, 1e6), "duty_limit": (0, 1), "polite_duty_limit": (0, 1), "max_bandwidth_khz": (0.1, 1e6),
        "max_bandwidth_share": (0, 1), "min_bandwidth_khz": (0.1, 1e6), "density_dbm": (-60, 60), "density_khz": (0.1, 1e6),
        "max_airtime_ms": (0.1, 1e7), "polite_max_airtime_ms": (0.1, 1e7), "occupancy_window_s": (0.1, 1e6),
        "channel_width_khz": (0.1, 1e6), "min_silence_s": (0, 1e6), "silence_ratio": (0, 1e6), "medium_use_limit": (0, 1),
    }  # fmt: skip
    values: dict[str, Any] = {name: table.number(name, *limits) for name, limits in optional.items() if name in table.entry}
    table.allow(
        *optional, "key", "rule", "low_mhz", "high_mhz", "limit_kind", "limit", "free_gain_dbi", "duty_period_s", "listen_first",
        "density_from_khz", "density_exempts_hopping", "periodic_allowed", "techniques", "uses", "note",
        "document", "clause", "checked", "needs_agility", "min_channels", "channels_mhz", "condition_keys", "condition",
    )  # fmt: skip
    if ("density_dbm" in values) != ("density_khz" in values):
        table.fault("a density limit needs both its level and its width.", "Write density_dbm and density_khz, or neither.")
    listen_first = table.text("listen_first", "no")
    if listen_first not in ("no", "instead", "required"):
        table.fault(f"'listen_first' is '{listen_first}'.", "Write 'no', 'instead' or 'required'.")
    conditions = tuple(table.choices("condition_keys", Condition))
    condition = table.text("condition", "")
    if conditions and not condition:
        table.fault("it has conditions but no sentence that says them.", 'Write condition = "Only if …".', "condition_keys")
    channels = table.numbers("channels_mhz", low, high)
    if bool(channels) != ("channel_width_khz" in values):
        table.fault("channels need their middles and their width.", "Write channels_mhz and channel_width_khz, or neither.")
    return SubBand(
        key=table.text("key"),
        rule=table.text("rule"),
        low_mhz=low,
        high_mhz=high,
        limit_kind=table.choice("limit_kind", LimitKind),
        limit=table.number("limit", -60, 1e6),
        standing=table.standing(),
        source=table.source(),
        checked=table.day("checked") if "checked" in table.entry else checked,
        document=table.text("document", ""),
        clause=table.text("clause", ""),
        needs_agility=table.flag("needs_agility", False),
        min_channels=int(table.number("min_channels", 1, 1e6)) if "min_channels" in table.entry else None,
        channels_mhz=channels,
        condition_keys=conditions,
        condition=condition,
        free_gain_dbi=table.number("free_gain_dbi", 0, 40, 0.0),
        duty_period_s=table.number("duty_period_s", 1, 1e6, 3600.0),
        listen_first=listen_first,
        density_from_khz=table.number("density_from_khz", 0, 1e6, 0.0),
        density_exempts_hopping=table.flag("density_exempts_hopping", False),
        periodic_allowed=table.flag("periodic_allowed", True),
        techniques=tuple(table.choices("techniques", Technique)),
        uses=table.texts("uses"),
        note=table.text("note", ""),
        **values,
    )


def _battery(key: str, table: Table) -> Battery:
    limits = {
        "capacity_mah": (1, 1e7), "nominal_v": (0.5, 60), "self_discharge_per_year": (0, 1), "cold_factor_minus_20c": (0.01, 1),
        "shelf_life_years": (0.1, 50), "end_factor": (0.05, 1), "depth_of_discharge": (0.05, 1), "max_pulse_ma": (0.1, 1e6),
        "max_temperature_c": (20, 200),
    }  # fmt: skip
    figures = table.figures(limits)
    table.allow(*limits, "title", "rechargeable", "charge_min_c", "charge_max_c", "cautions", "voltage", "words")
    return Battery(
        key=key,
        title=table.text("title"),
        words=table.text("words", ""),
        rechargeable=table.flag("rechargeable", False),
        charge_min_c=table.number("charge_min_c", -60, 60) if "charge_min_c" in table.entry else None,
        charge_max_c=table.number("charge_max_c", 0, 100) if "charge_max_c" in table.entry else None,
        cautions=table.texts("cautions"),
        voltage=_cell_voltage(table) if "voltage" in table.entry else None,
        **figures,
    )


def _cell_voltage(parent: Table) -> CellVoltage:
    table = Table(parent.file, f"{parent.where}, voltage", parent.entry["voltage"], parent=parent)
    numbers = ("highest_v", "shift_at_minus_20c_v", "ohm_fresh", "ohm_empty", "ohm_factor_at_minus_20c")
    table.allow("used_percent", "volt", *numbers)
    used, volt = table.numbers("used_percent", 0, 100), table.numbers("volt", 0, 60)
    rising = all(before < after for before, after in pairwise(used))
    if len(used) != len(volt) or len(used) < 2 or not rising or used[0] != 0 or used[-1] != 100:
        table.fault("used_percent and volt make no curve.", "Write as many volts as per cents, from 0 up to 100.")
    if any(after > before for before, after in pairwise(volt)):
        table.fault("a cell gains voltage as it empties.", "Let volt fall from left to right.", "volt")
    limits = {"highest_v": (0.5, 80.0), "shift_at_minus_20c_v": (-20.0, 0.0), "ohm_factor_at_minus_20c": (1.0, 100.0)}
    values = {name: table.number(name, *limits.get(name, (0.0, 1e5))) for name in numbers}
    return CellVoltage(used, volt, standing=table.standing(), source=table.source(), **values)


def _regulator(key: str, table: Table) -> Regulator:
    limits = {
        "quiescent_ua": (0, 1e6), "efficiency": (0.05, 1), "drop_v": (0, 10), "lowest_v": (0.1, 100), "highest_v": (0.5, 100),
        "most_ma": (0.1, 1e5),
    }  # fmt: skip
    figures = table.figures(limits)
    table.allow(*limits, "title", "kind")
    kind = table.text("kind")
    if kind not in ("linear", "step-down", "step-up"):
        table.fault(f"'kind' is '{kind}'.", "Write 'linear', 'step-down' or 'step-up'.")
    return Regulator(key=key, title=table.text("title"), kind=kind, **figures)


def _board(key: str, table: Table) -> Board:
    limits = {
        "sleep_current_ua": (0, 1e7),
        "active_current_ma": (0, 1e5),
        "active_ms": (0, 1e6),
        "supply_v": (0.8, 60),
    }
    figures = table.figures(limits)
    table.allow(*limits, "title", "note", "regulated_v", "regulated_ma")
    return Board(
        key=key,
        title=table.text("title"),
        note=table.text("note", ""),
        regulated_v=table.number("regulated_v", 0.5, 60) if "regulated_v" in table.entry else None,
        regulated_ma=table.number("regulated_ma", 0, 1e5, 0.0),
        **figures,
    )
