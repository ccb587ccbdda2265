"""Is this lawful here? Power, band edges, density, duty, dwell, listening: refused with the rule and the change that complies."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from math import ceil, floor, log10
from typing import Final

from meshplan.errors import InputError, nearest_name
from meshplan.radio_records import LimitKind, RadioMode, Region, SubBand, Technique

NOT_LEGAL_ADVICE: Final = "A planning aid, not legal advice; check the local table."

COMFORT_SHARE: Final = 0.5
"""Share of a duty limit that a plan should not exceed in its busiest hour (common practice, no source)."""

POLITE_SINGLE_MS: Final = 1000.0
"""Longest single transmission under polite access (EN 300 220-1, recalled)."""

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
    techniques: tuple[Technique, ...] = ()
    """What the user's program does; empty: whatever the class can do, said as a condition."""
    licence: str | None = None

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


@dataclass(frozen=True)
class LegalVerdict:
    """What the rules say about one emission."""

    lawful: bool
    status: str
    """lawful, refused, licensed, or not checked (unknown country)."""
    region: str
    rule: str
    sub_band: str
    eirp_dbm: float
    cap_eirp_dbm: float
    """NaN where no row applies."""
    duty: float
    duty_limit: float
    """1 where the row sets none; NaN where no row applies."""
    breaches: tuple[Breach, ...]
    changes: tuple[str, ...]
    """Changes that would comply, the simplest first."""
    conditions: tuple[str, ...]
    """What must be true for the verdict to hold."""
    sentence: str
    source: str
    standing: str
    checked: str
    """Day the row was checked, ISO."""
    advice: str = NOT_LEGAL_ADVICE

    @property
    def power_headroom_db(self) -> float:
        """How many decibels are left below the cap."""
        return self.cap_eirp_dbm - self.eirp_dbm


@dataclass
class _Judgement:
    row: SubBand
    cap_dbm: float
    duty_limit: float
    breaches: list[Breach] = field(default_factory=list)
    conditions: list[str] = field(default_factory=list)


def find_region(regions: dict[str, Region], name: str) -> Region:
    """Return a region by its key; an unknown name is an error with the nearest known, "unknown" the careful default."""
    folded = name.strip().casefold().replace(" ", "-").replace("_", "-")
    if folded in regions:
        return regions[folded]
    raise InputError(
        f"no radio rules are known for '{name}'.{nearest_name(folded, regions)}",
        where="country",
        fix=f"Write one of: {', '.join(sorted(regions))}; or describe yours in regions.toml.",
    )


def legal_check(region: Region, emission: Emission, *, look_elsewhere: bool = True) -> LegalVerdict:
    """Return the verdict on one emission, with the rule and the changes that would comply.

    Parameters
    ----------
    region : Region
    emission : Emission
        With the antenna and cable of the actual place and the duty of the busiest hour.
    look_elsewhere : bool
        Whether to look for another sub-band when the one in use refuses.
    """
    mode = emission.mode
    if mode.radio.licence_required and not emission.licence:
        return _no_row(
            region,
            emission,
            Breach(
                "power",
                f"{mode.title} is outside licence-exempt limits ({emission.eirp_dbm:.1f} dBm EIRP).",
                "state the licence you hold, or take a class without the amplifier",
            ),
        )
    judged = [_judge(row, emission) for row in region.sub_bands if row.low_mhz <= mode.frequency_mhz <= row.high_mhz]
    if not judged:
        verdict = _no_row(
            region,
            emission,
            Breach(
                "band edge",
                f"{mode.frequency_mhz:g} MHz lies in no licence-exempt row of {region.title}.",
                f"take another frequency or class; rows: {_row_list(region)}",
            ),
        )
    else:
        verdict = _verdict(region, emission, min(judged, key=_rank))
    if emission.licence and not verdict.lawful:
        sentence = f"Outside the licence-exempt rules ({verdict.rule}); rests on the licence stated: {emission.licence}."
        return replace(
            verdict,
            lawful=True,
            status="licensed",
            sentence=sentence,
            conditions=(*verdict.conditions, f"The licence '{emission.licence}' must allow this power, band and use."),
        )
    if verdict.lawful or not look_elsewhere or mode.radio.licence_required:
        return verdict
    other = _other_sub_band(region, emission, verdict)
    return replace(verdict, changes=(*verdict.changes, other)) if other else verdict


def _judge(row: SubBand, emission: Emission) -> _Judgement:
    """Measure an emission against one row."""
    cap = row.eirp_cap_dbm(emission.mode.frequency_mhz)
    judgement = _Judgement(row, cap, _duty_limit(row, emission))
    _judge_place(row, emission, judgement)
    _judge_power(row, emission, judgement)
    _judge_time(row, emission, judgement)
    _judge_manner(row, emission, judgement)
    return judgement


def _judge_place(row: SubBand, emission: Emission, judgement: _Judgement) -> None:
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


def _judge_power(row: SubBand, emission: Emission, judgement: _Judgement) -> None:
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
    excess = _density_excess_db(row, emission)
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
                    f"power and time together use {_share(use)} of the medium, {_share(row.medium_use_limit)} are allowed",
                    f"stay below 10 dBm EIRP, listen before sending, or send {_times(use / row.medium_use_limit)} less often",
                )
            )


def _density_excess_db(row: SubBand, emission: Emission) -> float:
    """Return how far the power in the row's reference width exceeds its limit, evenly spread; minus infinity without one."""
    if row.density_dbm is None or row.density_khz is None:
        return float("-inf")
    width = emission.mode.occupied_bandwidth_khz
    if width <= row.density_from_khz:
        return float("-inf")
    if row.density_exempts_hopping and Technique.HOPPING in _techniques(emission):
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
    if row.listen_first == "instead" and emission.listens_first and emission.mode.radio.can_listen_first:
        return max(limit, 1.0 if row.polite_duty_limit is None else row.polite_duty_limit)
    return limit


def _judge_time(row: SubBand, emission: Emission, judgement: _Judgement) -> None:
    """Duty, dwell, silence."""
    limit = judgement.duty_limit
    if emission.duty > limit * (1.0 + 1e-9):
        change = f"send {_times(emission.duty / limit)} less often"
        if emission.interval_s < float("inf"):
            slower = ceil(emission.interval_s * emission.duty / limit - 1e-6)
            change += f": every {slower} s on average instead of {emission.interval_s:.0f} s"
        polite = row.polite_duty_limit
        can = emission.mode.radio.can_listen_first and row.listen_first == "instead" and not emission.listens_first
        if can and polite is not None and emission.duty <= polite:
            change += f"; or listen before each sending (polite access), which allows {_share(polite)}"
        judgement.breaches.append(
            Breach("duty", f"{_share(emission.duty)} of the hour on the air, {_share(limit)} allowed", change)
        )
    elif emission.duty > COMFORT_SHARE * limit:
        judgement.conditions.append(
            f"Uses {_share(emission.duty / limit)} of the allowed time on the air; a plan should stay under half of it."
        )
    longest = row.max_airtime_ms
    if row.listen_first == "instead" and emission.listens_first and emission.duty > (row.duty_limit or 1.0):
        longest = min(POLITE_SINGLE_MS, longest or POLITE_SINGLE_MS)
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


def _judge_manner(row: SubBand, emission: Emission, judgement: _Judgement) -> None:
    """Technique, use, listening, periodic sending."""
    if row.techniques:
        usable = [technique for technique in _techniques(emission) if technique in row.techniques]
        if not usable:
            wanted = " or ".join(row.techniques)
            judgement.breaches.append(
                Breach("technique", f"the row is for {wanted} senders only", f"take a class that can do {wanted}")
            )
        elif not emission.techniques and Technique.FIXED in emission.mode.radio.techniques and usable[0] in _HOPPING:
            judgement.conditions.append("Only if the senders really hop over the channels that the rule asks for.")
    if row.uses and emission.use not in row.uses:
        judgement.breaches.append(
            Breach("use", f"the row is for {', '.join(row.uses)} only", "take a row that is open to every use")
        )
    if not row.periodic_allowed and emission.periodic:
        judgement.breaches.append(
            Breach("periodic", "sending at fixed intervals is forbidden here", "send on events only, and stop within 5 s")
        )
    if row.listen_first == "required":
        if not emission.mode.radio.can_listen_first:
            judgement.breaches.append(
                Breach("listening", "the row asks to listen before sending, the class cannot", "take a class that can listen")
            )
        elif not emission.listens_first:
            judgement.conditions.append("Only if the program listens before each sending.")


def _techniques(emission: Emission) -> tuple[Technique, ...]:
    return emission.techniques or emission.mode.radio.techniques


def occupied_edges_mhz(mode: RadioMode) -> tuple[float, float]:
    """Return the edges of the signal with the crystal error of the sender."""
    half = mode.occupied_bandwidth_khz / 2000.0 + mode.frequency_mhz * mode.radio.frequency_error_ppm.value * 1e-6
    return mode.frequency_mhz - half, mode.frequency_mhz + half


_HOPPING: Final = (Technique.HOPPING, Technique.HYBRID)

_HARD: Final = ("technique", "use", "listening", "bandwidth", "periodic")
"""Breaches that no smaller figure mends: rows that have them fit least."""


def _rank(judgement: _Judgement) -> tuple[float, ...]:
    """Order rows: lawful first, then fewest hard breaches, fewest breaches, fewest decibels, then the most generous."""
    hard = sum(breach.kind in _HARD for breach in judgement.breaches)
    excess = max((breach.excess_db for breach in judgement.breaches), default=0.0)
    return (
        float(bool(judgement.breaches)),
        float(hard),
        float(len(judgement.breaches)),
        excess,
        float(len(judgement.conditions)),
        -judgement.duty_limit,
        -judgement.cap_dbm,
    )


def _verdict(region: Region, emission: Emission, judgement: _Judgement) -> LegalVerdict:
    row = judgement.row
    lawful = not judgement.breaches
    if lawful:
        share = f", {_share(emission.duty)} of {_share(judgement.duty_limit)} on the air" if row.duty_limit is not None else ""
        sentence = f"{emission.eirp_dbm:.1f} dBm EIRP of {judgement.cap_dbm:.1f} allowed{share}: within {row.rule}."
        status = "lawful"
    else:
        problems = "; ".join(breach.problem for breach in judgement.breaches)
        sentence = f"Refused by {row.rule}: {problems}."
        status = "refused"
    if not region.known:
        status = "not checked" if lawful else status
        sentence = f"No country was named, so a careful default was used. {sentence}"
    conditions = [*judgement.conditions]
    if row.note:
        conditions.append(row.note)
    if row.needs_check:
        conditions.append(f"Check this row before you rely on it ({row.standing.value}: {row.source}).")
    return LegalVerdict(
        lawful=lawful,
        status=status,
        region=region.key,
        rule=row.rule,
        sub_band=row.key,
        eirp_dbm=emission.eirp_dbm,
        cap_eirp_dbm=judgement.cap_dbm,
        duty=emission.duty,
        duty_limit=judgement.duty_limit,
        breaches=tuple(judgement.breaches),
        changes=tuple(dict.fromkeys(breach.change for breach in judgement.breaches)),
        conditions=tuple(conditions),
        sentence=sentence,
        source=row.source,
        standing=row.standing.value,
        checked=row.checked.isoformat(),
    )


def _no_row(region: Region, emission: Emission, breach: Breach) -> LegalVerdict:
    """Return the refusal where no row applies."""
    start = "" if region.known else "No country was named, so a careful default was used. "
    return LegalVerdict(
        lawful=False,
        status="refused",
        region=region.key,
        rule=f"no row of {region.title}",
        sub_band="",
        eirp_dbm=emission.eirp_dbm,
        cap_eirp_dbm=float("nan"),
        duty=emission.duty,
        duty_limit=float("nan"),
        breaches=(breach,),
        changes=(breach.change,),
        conditions=(),
        sentence=f"{start}Refused: {breach.problem}",
        source="the packaged table of licence-exempt rows",
        standing="",
        checked=region.checked.isoformat(),
    )


def _row_list(region: Region) -> str:
    bands = sorted({(row.low_mhz, row.high_mhz) for row in region.sub_bands})
    return ", ".join(f"{low:g}-{high:g}" for low, high in bands) + " MHz"


def candidate_frequencies_mhz(region: Region, mode: RadioMode) -> tuple[float, ...]:
    """Return frequencies worth trying for a class: its own, then the middle of each row inside its tuning range."""
    figure = mode.radio.band_mhz
    lowest, highest = (figure.low or figure.value), (figure.high or figure.value)
    low, high = occupied_edges_mhz(mode)
    half = (high - low) / 2.0
    found = [mode.frequency_mhz]
    for row in region.sub_bands:
        first, last = max(row.low_mhz + half, lowest), min(row.high_mhz - half, highest)
        if first <= last and not first <= mode.frequency_mhz <= last:
            found.append(round((first + last) / 2.0, 3))
    return tuple(dict.fromkeys(found))


def _other_sub_band(region: Region, emission: Emission, verdict: LegalVerdict) -> str:
    """Return, in words, the first other frequency where the same emission is lawful; empty if there is none."""
    for frequency in candidate_frequencies_mhz(region, emission.mode)[1:]:
        moved = replace(emission, mode=replace(emission.mode, frequency_mhz=frequency))
        found = legal_check(region, moved, look_elsewhere=False)
        if found.lawful and found.sub_band != verdict.sub_band:
            return f"move to {frequency:g} MHz ({found.rule})"
    return ""


def highest_lawful_power(region: Region, emission: Emission) -> tuple[float, LegalVerdict]:
    """Return the highest power, in tenths of a decibel, at which an emission is lawful, and the verdict there.

    If it is lawful at no power of the class, the lowest power and its refusal are returned.
    """
    figure = emission.mode.radio.tx_power_dbm
    lowest = figure.value if figure.low is None else figure.low
    highest = figure.value if figure.high is None else figure.high
    feed = emission.feed_loss_db - emission.antenna_gain_dbi
    tries = {highest}
    for row in region.sub_bands:
        tries.add(min(highest, row.eirp_cap_dbm(emission.mode.frequency_mhz) + feed))
        if row.limit_kind is LimitKind.CONDUCTED:
            tries.add(min(highest, row.limit, row.limit + row.free_gain_dbi + feed))
        excess = _density_excess_db(row, emission)
        if excess > float("-inf"):
            tries.add(min(highest, emission.mode.tx_power_dbm - excess))
        tries.add(min(highest, ADAPTIVE_FROM_DBM + feed - 0.1))
    usable = sorted({floor(power * 10.0 + 1e-6) / 10.0 for power in tries if power >= lowest}, reverse=True)
    verdict = None
    for power in [*usable, lowest]:
        tried = replace(emission, mode=replace(emission.mode, tx_power_dbm=power))
        verdict = legal_check(region, tried)
        if verdict.lawful:
            return power, verdict
    assert verdict is not None
    return lowest, verdict


def lawful_mode(
    region: Region,
    emission: Emission,
    *,
    keep_power: bool = False,
    keep_frequency: bool = False,
) -> tuple[RadioMode, LegalVerdict]:
    """Return the mode to plan with: the frequency and the highest power that the rules allow for this use.

    Parameters
    ----------
    region : Region
    emission : Emission
        Duty, packet length and antenna as planned.
    keep_power, keep_frequency : bool
        Whether the user fixed them.

    Notes
    -----
    Source
        The class's own frequency if it is lawful within 3 dB of the best power found; else the best one. If nothing is lawful
        the emission comes back unchanged with its refusal.
    """
    frequencies: Sequence[float] = (
        (emission.mode.frequency_mhz,) if keep_frequency else candidate_frequencies_mhz(region, emission.mode)
    )
    best: tuple[float, RadioMode, LegalVerdict] | None = None
    for number, frequency in enumerate(frequencies):
        moved = replace(emission, mode=replace(emission.mode, frequency_mhz=frequency))
        if keep_power:
            power, verdict = moved.mode.tx_power_dbm, legal_check(region, moved, look_elsewhere=False)
        else:
            power, verdict = highest_lawful_power(region, moved)
        if not verdict.lawful:
            continue
        worth = power + (3.0 if number == 0 else 0.0)
        if best is None or worth > best[0] + 1e-9:
            mode = replace(moved.mode, tx_power_dbm=power)
            best = (worth, _said(mode, emission.mode, verdict), verdict)
    if best is None:
        return emission.mode, legal_check(region, emission)
    return best[1], best[2]


def _said(mode: RadioMode, before: RadioMode, verdict: LegalVerdict) -> RadioMode:
    """Add to a mode's assumptions what the law changed."""
    said = list(mode.assumptions)
    if mode.frequency_mhz != before.frequency_mhz:
        said = [line for line in said if not line.startswith("Frequency")]
        said.append(f"Frequency {mode.frequency_mhz:g} MHz taken, where {verdict.rule} allows it.")
    if mode.tx_power_dbm != before.tx_power_dbm:
        said = [line for line in said if not line.startswith("Power")]
        said.append(f"Power {mode.tx_power_dbm:g} dBm taken, the most that class, antenna and {verdict.rule} allow.")
    return replace(mode, assumptions=tuple(said))


def _times(factor: float) -> str:
    return f"{factor:.1f} times" if factor < 10 else f"{factor:.0f} times"


def _share(share: float) -> str:
    return f"{share * 100:.2g} %" if share < 0.1 else f"{share * 100:.0f} %"
