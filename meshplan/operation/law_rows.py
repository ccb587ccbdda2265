"""One emission against one row of a country's table: place, power, time and manner."""

from __future__ import annotations

from dataclasses import dataclass, field
from math import ceil, floor, log10
from typing import Final

from meshplan.records.radio import Condition, LimitKind, RadioMode, SubBand, Technique

COMFORT_SHARE: Final = 0.5
"""Share of a duty limit that a plan should not exceed in its busiest hour (common practice, no source)."""

ADAPTIVE_FROM_DBM: Final = 10.0
"""EIRP from which EN 300 328 asks for listening or a limit on medium use."""

_ANTENNA_CAN_MEND_DB: Final = 6.0
"""A breach larger than this is not mended by a poorer antenna (own choice)."""

_REFERENCE_MEDIUM_MW: Final = 100.0
_DECIBEL_SLACK: Final = 0.05
"""Limits are rounded to a tenth of a decibel (25 mW is 13.98 dBm); a rounding is no breach."""


@dataclass(frozen=True)
class Emission:
    """What one device puts on the air."""

    mode: RadioMode
    antenna_gain_dbi: float
    feed_loss_db: float = 0.0
    """Cable and connectors between radio and antenna."""
    duty: float = 0.0
    """Share of the busiest hour on the air, forwarded packets and acknowledgements included."""
    longest_packet_ms: float = 0.0
    interval_s: float = float("inf")
    """Mean time between two transmissions in the busiest mode."""
    periodic: bool = True
    """Whether it sends by the clock rather than on events only."""
    use: str = "data"
    """data, alarm, control, metering, managed."""
    listens_first: bool = False
    """Whether the user's program listens before each sending."""
    changes_channel: bool = False
    """Whether it goes to another channel when it hears that its own is busy."""
    techniques: tuple[Technique, ...] = ()
    """What the user's program does; empty: whatever the class can do, said as a condition."""
    licence: str | None = None
    accepts: tuple[str, ...] = ()
    """Conditions of rules that the user answers for (`Condition`)."""

    @property
    def hops(self) -> bool | None:
        """Whether the network changes channel from packet to packet; None: not settled."""
        return self.mode.hops

    @property
    def eirp_dbm(self) -> float:
        """Power as from an isotropic antenna: transmitter + antenna − feed."""
        return self.mode.tx_power_dbm + self.antenna_gain_dbi - self.feed_loss_db


@dataclass(frozen=True)
class Breach:
    """One limit that is broken."""

    kind: str
    """power, density, duty, dwell, silence, band edge, bandwidth, technique, use, listening, medium use, periodic."""
    problem: str
    change: str
    excess_db: float = 0.0


@dataclass
class Judgement:
    """An emission measured against one row."""

    row: SubBand
    cap_dbm: float
    duty_limit: float
    breaches: list[Breach] = field(default_factory=list)
    conditions: list[str] = field(default_factory=list)
    keys: list[Condition] = field(default_factory=list)
    """What the row asks for that no table can see."""
    open_keys: list[Condition] = field(default_factory=list)
    """Those of `keys` that neither the class nor the user answers for."""


def judge_row(row: SubBand, emission: Emission) -> Judgement:
    """Measure an emission against one row."""
    cap = row.eirp_cap_dbm(emission.mode.frequency_mhz)
    judgement = Judgement(row, cap, _duty_limit(row, emission))
    _judge_place(row, emission, judgement)
    _judge_power(row, emission, judgement)
    _judge_time(row, emission, judgement)
    _judge_manner(row, emission, judgement)
    _judge_conditions(row, emission, judgement)
    return judgement


def _judge_place(row: SubBand, emission: Emission, judgement: Judgement) -> None:
    """Band edges and bandwidth."""
    mode = emission.mode
    low, high = occupied_edges_mhz(mode)
    if low < row.low_mhz - 1e-9 or high > row.high_mhz + 1e-9:
        width = high - low
        room = row.high_mhz - row.low_mhz
        change = (
            f"tune between {row.low_mhz + width / 2:.3f} and {row.high_mhz - width / 2:.3f} MHz"
            if width <= room
            else "take a narrower setting: the signal is wider than the row"
        )
        judgement.breaches.append(
            Breach(
                "band edge",
                f"the signal with its crystal error fills {low:.3f}-{high:.3f} MHz, "
                f"the row is {row.low_mhz:g}-{row.high_mhz:g} MHz",
                change,
            )
        )
    middle = row.nearest_channel_mhz(mode.frequency_mhz)
    room_khz = row.channel_width_khz or 0.0
    if middle is not None and max(high - middle, middle - low) * 2000.0 > room_khz + 1e-6:
        judgement.breaches.append(
            Breach(
                "band edge",
                f"the signal with its crystal error fills {low:.3f}-{high:.3f} MHz, more than one of the row's channels",
                f"tune to the middle of a channel: {middle:g} MHz"
                if (high - low) * 1000.0 <= room_khz
                else "take a narrower setting: the signal is wider than a channel of the row",
            )
        )
    widest = min(
        float("inf") if row.max_bandwidth_khz is None else row.max_bandwidth_khz,
        float("inf") if row.max_bandwidth_share is None else row.max_bandwidth_share * mode.frequency_mhz * 1000.0,
    )
    if mode.occupied_bandwidth_khz > widest:
        judgement.breaches.append(
            Breach(
                "bandwidth",
                f"{mode.occupied_bandwidth_khz:g} kHz is wider than the {widest:g} kHz of the row",
                "take a narrower setting",
            )
        )
    if row.min_bandwidth_khz is not None and mode.occupied_bandwidth_khz < row.min_bandwidth_khz:
        judgement.breaches.append(
            Breach(
                "bandwidth",
                f"{mode.occupied_bandwidth_khz:g} kHz is narrower than the {row.min_bandwidth_khz:g} kHz the row asks for",
                "take a wider setting",
            )
        )


def _judge_power(row: SubBand, emission: Emission, judgement: Judgement) -> None:
    """Cap, transmitter limit, power density, medium use."""
    mode, eirp = emission.mode, emission.eirp_dbm
    excess = eirp - judgement.cap_dbm
    if row.limit_kind is LimitKind.CONDUCTED:
        excess = max(excess, mode.tx_power_dbm - row.limit)
    if excess > _DECIBEL_SLACK:
        judgement.breaches.append(
            Breach(
                "power",
                f"{eirp:.1f} dBm EIRP is {excess:.1f} dB above the cap of {judgement.cap_dbm:.1f} dBm EIRP",
                _lower_power(emission, excess),
                excess,
            )
        )
    excess = density_excess_db(row, emission)
    if excess > _DECIBEL_SLACK:
        judgement.breaches.append(
            Breach(
                "density",
                f"the power within {row.density_khz:g} kHz is {excess:.1f} dB above {row.density_dbm:g} dBm",
                _lower_power(emission, excess),
                excess,
            )
        )
    if row.medium_use_limit is not None and eirp >= ADAPTIVE_FROM_DBM and not emission.listens_first:
        use = 10.0 ** (eirp / 10.0) / _REFERENCE_MEDIUM_MW * emission.duty
        if use > row.medium_use_limit:
            judgement.breaches.append(
                Breach(
                    "medium use",
                    f"power and time together use {percent(use)} of the medium, {percent(row.medium_use_limit)} are allowed",
                    f"stay below 10 dBm EIRP, listen before sending, or send {_times(use / row.medium_use_limit)} less often",
                )
            )


def density_excess_db(row: SubBand, emission: Emission) -> float:
    """Return how far the power in the row's reference width exceeds its limit, evenly spread; minus infinity without one."""
    if row.density_dbm is None or row.density_khz is None:
        return float("-inf")
    width = emission.mode.occupied_bandwidth_khz
    if width <= row.density_from_khz:
        return float("-inf")
    if row.density_exempts_hopping and Technique.HOPPING in techniques_of(emission):
        return float("-inf")
    power = emission.mode.tx_power_dbm if row.limit_kind is LimitKind.CONDUCTED else emission.eirp_dbm
    if row.limit_kind is LimitKind.ERP:
        power -= row.eirp_cap_dbm(emission.mode.frequency_mhz) - row.limit
    return power - 10.0 * log10(max(1.0, width / row.density_khz)) - row.density_dbm


def _lower_power(emission: Emission, excess_db: float) -> str:
    """Say how to come down by some decibels."""
    power = floor((emission.mode.tx_power_dbm - excess_db) * 10.0 + 1e-6) / 10.0
    figure = emission.mode.radio.tx_power_dbm
    lowest = figure.value if figure.low is None else figure.low
    if power >= lowest:
        return f"lower the power by {excess_db:.1f} dB, to {power:.1f} dBm"
    missing = lowest - (emission.mode.tx_power_dbm - excess_db)
    if missing > _ANTENNA_CAN_MEND_DB:
        return f"no setting of this class comes down by {excess_db:.1f} dB: take another class or band"
    return f"the class cannot go below {lowest:g} dBm: take an antenna with {missing:.1f} dB less gain, or more cable loss"


def _duty_limit(row: SubBand, emission: Emission) -> float:
    limit = 1.0 if row.duty_limit is None else row.duty_limit
    if is_polite(row, emission):
        return max(limit, 1.0 if row.polite_duty_limit is None else row.polite_duty_limit)
    return limit


def is_polite(row: SubBand, emission: Emission) -> bool:
    """Return whether listening before sending lifts the duty limit of a row.

    Notes
    -----
    Source
        ERC/REC 70-03 annex 1 and EN 300 220-2: polite access is listening before sending *and* a change of channel when it is
        busy. A class that stays on one fixed channel cannot claim it.
    """
    listens = row.listen_first == "instead" and emission.listens_first and emission.mode.radio.can_listen_first
    return listens and (not row.needs_agility or (emission.changes_channel and _can_change_channel(emission)))


def _can_change_channel(emission: Emission) -> bool:
    """Return whether program or class can leave a busy channel, whether or not the network hops."""
    return any(technique in (emission.techniques or emission.mode.radio.techniques) for technique in _HOPPING)


def _judge_time(row: SubBand, emission: Emission, judgement: Judgement) -> None:
    """Duty, dwell, silence."""
    limit = judgement.duty_limit
    if emission.duty > limit * (1.0 + 1e-9):
        change = f"send {_times(emission.duty / limit)} less often"
        if emission.interval_s < float("inf"):
            slower = ceil(emission.interval_s * emission.duty / limit - 1e-6)
            change += f": every {slower} s on average instead of {emission.interval_s:.0f} s"
        polite = row.polite_duty_limit
        can = emission.mode.radio.can_listen_first and row.listen_first == "instead" and not is_polite(row, emission)
        if can and row.needs_agility:
            can = _can_change_channel(emission)
        if can and polite is not None and emission.duty <= polite:
            manner = "listen before each sending" + (" and change a busy channel (polite access)" if row.needs_agility else "")
            change += f"; or {manner}, which allows {percent(polite)}"
        judgement.breaches.append(
            Breach("duty", f"{percent(emission.duty)} of the hour on the air, {percent(limit)} allowed", change)
        )
    elif emission.duty > COMFORT_SHARE * limit:
        judgement.conditions.append(
            f"Uses {percent(emission.duty / limit)} of the allowed time on the air; a plan should stay under half of it."
        )
    longest = row.max_airtime_ms
    sends_more = emission.duty > (row.duty_limit or 1.0) or (longest is not None and emission.longest_packet_ms > longest)
    if sends_more and is_polite(row, emission):
        longest = row.polite_max_airtime_ms
    if longest is not None and emission.longest_packet_ms > longest:
        judgement.breaches.append(
            Breach(
                "dwell",
                f"a packet of {emission.longest_packet_ms:.0f} ms is longer than the {longest:.0f} ms allowed at a time",
                "send fewer bytes, take a lower spreading factor or a faster rate",
            )
        )
    needed = max(row.min_silence_s or 0.0, (row.silence_ratio or 0.0) * emission.longest_packet_ms / 1000.0)
    if emission.periodic and needed > 0.0 and emission.interval_s - emission.longest_packet_ms / 1000.0 < needed:
        judgement.breaches.append(
            Breach(
                "silence",
                f"{emission.interval_s:.0f} s between packets leave less than {needed:.0f} s of silence",
                f"send every {ceil(needed + emission.longest_packet_ms / 1000.0)} s or more seldom",
            )
        )


def _judge_manner(row: SubBand, emission: Emission, judgement: Judgement) -> None:
    """Technique, use, listening, periodic sending."""
    if row.techniques and not any(technique in row.techniques for technique in techniques_of(emission)):
        wanted = " or ".join(row.techniques)
        judgement.breaches.append(
            Breach("technique", f"the row is for {wanted} senders only", f"take a class that can do {wanted}")
        )
    if row.min_channels is not None and for_hoppers(row) and channels_of(emission.mode) < row.min_channels:
        count = channels_of(emission.mode)
        judgement.breaches.append(
            Breach(
                "technique",
                f"the class has {count} channel{'s' if count != 1 else ''}, the row asks for hopping over {row.min_channels}",
                "take a row that does not ask for hopping, or another class",
            )
        )
    if row.uses and emission.use not in row.uses and not set(row.uses) & set(emission.accepts):
        change = "take a row that is open to every use"
        answered = [use for use in row.uses if use in set(Condition)]
        if answered:
            change += f'; or, if the network does nothing else, write radio_settings.accepts = ["{answered[0]}"]'
        judgement.breaches.append(Breach("use", f"the row is for {', '.join(row.uses)} only", change))
    if not row.periodic_allowed and emission.periodic:
        judgement.breaches.append(
            Breach("periodic", "sending at fixed intervals is forbidden here", "send on events only, and stop within 5 s")
        )
    if row.listen_first == "required" and not emission.mode.radio.can_listen_first:
        judgement.breaches.append(
            Breach("listening", "the row asks to listen before sending, the class cannot", "take a class that can listen")
        )


def _judge_conditions(row: SubBand, emission: Emission, judgement: Judgement) -> None:
    """What the row asks for that no table can see, and what of it nobody answers for."""
    keys = [*row.condition_keys]
    if for_hoppers(row) and not {*keys} & {*_HOPPING_KEYS}:
        keys.append(Condition.HOPPING)
    if row.listen_first == "required" and Condition.CARRIER_SENSE not in keys:
        keys.append(Condition.CARRIER_SENSE)
    keys += [Condition(use) for use in row.uses if use in set(Condition) and use in (emission.use, *emission.accepts)]
    judgement.keys = list(dict.fromkeys(keys))
    judgement.open_keys = [key for key in judgement.keys if key not in emission.accepts and not _is_met(key, emission)]


def _is_met(key: Condition, emission: Emission) -> bool:
    """Return whether class or program meet a condition by what is known of them."""
    if key in _HOPPING_KEYS:
        return Technique.FIXED not in techniques_of(emission)
    return key is Condition.CARRIER_SENSE and emission.listens_first


def techniques_of(emission: Emission) -> tuple[Technique, ...]:
    """Return what the program does, or else all that the class can do; a network that stays on its channel does not hop."""
    able = emission.techniques or emission.mode.radio.techniques
    return tuple(technique for technique in able if technique not in _HOPPING) if emission.hops is False else able


def channels_of(mode: RadioMode) -> int:
    """Return how many channels a class has over its whole tuning range: none closer than its step, its width or 25 kHz.

    Notes
    -----
    Source
        47 CFR 15.247(a)(1): spacing of 25 kHz or the 20 dB width at least.
    """
    band, step_khz = mode.radio.band_mhz, max(mode.radio.channel_step_khz.value, mode.occupied_bandwidth_khz, 25.0)
    lowest, highest = (band.low or band.value), (band.high or band.value)
    return floor((highest - lowest) * 1000.0 / step_khz + 1e-6) + 1


def for_hoppers(row: SubBand) -> bool:
    """Return whether a row is for senders that change channel from packet to packet, and for no others."""
    return bool(row.techniques) and all(technique in _HOPPING for technique in row.techniques)


def occupied_edges_mhz(mode: RadioMode) -> tuple[float, float]:
    """Return the edges of the signal with the crystal error of the sender."""
    half = mode.occupied_bandwidth_khz / 2000.0 + mode.frequency_mhz * mode.radio.frequency_error_ppm.value * 1e-6
    return mode.frequency_mhz - half, mode.frequency_mhz + half


_HOPPING: Final = (Technique.HOPPING, Technique.HYBRID)
_HOPPING_KEYS: Final = (Condition.HOPPING, Condition.HYBRID)

_HARD: Final = ("technique", "use", "listening", "bandwidth", "periodic")
"""Breaches that no smaller figure mends: rows that have them fit least."""


def fit_of(judgement: Judgement) -> tuple[float, ...]:
    """Order rows: lawful first, then fewest hard breaches, fewest breaches, fewest decibels, fewest conditions that nobody answers
    for, then the most generous; of two alike the one with fewest conditions."""
    hard = sum(breach.kind in _HARD for breach in judgement.breaches)
    excess = max((breach.excess_db for breach in judgement.breaches), default=0.0)
    return (
        float(bool(judgement.breaches)),
        float(hard),
        float(len(judgement.breaches)),
        excess,
        float(len(judgement.open_keys)),
        float(len(judgement.conditions)),
        -judgement.duty_limit,
        -judgement.cap_dbm,
        float(len(judgement.keys)),
    )


def _times(factor: float) -> str:
    return f"{factor:.1f} times" if factor < 10 else f"{factor:.0f} times"


def percent(share: float) -> str:
    """Return a share in words, two digits where it is small."""
    return f"{share * 100:.2g} %" if share < 0.1 else f"{share * 100:.0f} %"
