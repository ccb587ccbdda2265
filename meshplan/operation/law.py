"""Is this lawful here? Refused with the rule and the change that complies; and the strongest lawful way to send."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import floor
from typing import Final

from meshplan.errors import InputError, nearest_name
from meshplan.operation.law_rows import (
    ADAPTIVE_FROM_DBM,
    Breach,
    Emission,
    Judgement,
    density_excess_db,
    fit_of,
    for_hoppers,
    judge_row,
    occupied_edges_mhz,
    percent,
)
from meshplan.records.radio import OF_USE, Condition, LimitKind, RadioMode, Region, Technique

__all__ = [
    "NOT_LEGAL_ADVICE",
    "Breach",
    "Emission",
    "LegalVerdict",
    "candidate_frequencies_mhz",
    "conditional_hint",
    "find_region",
    "highest_lawful_power",
    "lawful_mode",
    "legal_check",
    "occupied_edges_mhz",
    "whether_it_hops",
]

WORTH_A_HINT_DB: Final = 3.0
"""Decibels more that a row with a condition must allow before it is pointed at (own choice)."""

NOT_LEGAL_ADVICE: Final = "A planning aid, not legal advice; check the local table."


@dataclass(frozen=True)
class LegalVerdict:
    """What the rules say about one emission."""

    lawful: bool
    status: str
    """lawful, conditional (somebody must answer for a condition), accepted (the user does), not for data, refused, licensed, or not
    checked (unknown country)."""
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
    condition: str = ""
    """The row's conditions in one sentence; empty where it has none."""
    keys: tuple[Condition, ...] = ()
    """The row's conditions by name."""
    open_keys: tuple[Condition, ...] = ()
    """Those that neither the class nor the user answers for."""
    advice: str = NOT_LEGAL_ADVICE

    @property
    def verdict(self) -> str:
        """The verdict in words: within, conditional, not allowed for data, or not within."""
        if not self.lawful:
            return "not allowed for data" if self.status == "not for data" else "not within"
        return "conditional" if self.keys and self.status != "licensed" else "within"

    @property
    def unconditional(self) -> bool:
        """Whether it is lawful without a condition that nobody answers for."""
        return self.lawful and not self.open_keys

    @property
    def power_headroom_db(self) -> float:
        """How many decibels are left below the cap."""
        return self.cap_eirp_dbm - self.eirp_dbm


def find_region(regions: dict[str, Region], name: str) -> Region:
    """Return a region by its key or one of its other names; an unknown name is an error with the nearest known."""
    folded = name.strip().casefold().replace(" ", "-").replace("_", "-")
    names = {**{alias: region for region in regions.values() for alias in region.aliases}, **regions}
    if folded in names:
        return names[folded]
    raise InputError(
        f"no radio rules are known for '{name}'.{nearest_name(folded, names)}",
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
    judged = _as_one_network([judge_row(row, emission) for row in region.sub_bands if row.holds(mode.frequency_mhz)], emission)
    if not judged:
        verdict = _no_row(
            region,
            emission,
            Breach(
                "band edge",
                f"{mode.frequency_mhz:g} MHz lies in no licence-exempt row of {region.title}."
                if region.known
                else f"{mode.frequency_mhz:g} MHz lies outside {_row_list(region)}, the only band of that default.",
                ("" if region.known else "name your country, or ") + f"take another frequency or class; rows: {_row_list(region)}",
            ),
        )
    else:
        verdict = _verdict(region, emission, min(judged, key=fit_of))
    if emission.licence and not verdict.lawful:
        sentence = f"Outside the licence-exempt rules ({verdict.rule}); rests on the licence stated: {emission.licence}."
        return replace(
            verdict,
            lawful=True,
            status="licensed",
            sentence=sentence,
            keys=(),
            open_keys=(),
            conditions=(*verdict.conditions, f"The licence '{emission.licence}' must allow this power, band and use."),
        )
    if verdict.lawful or not look_elsewhere or mode.radio.licence_required:
        return verdict
    other = _other_sub_band(region, emission, verdict)
    return replace(verdict, changes=(*verdict.changes, other)) if other else verdict


def _as_one_network(judged: list[Judgement], emission: Emission) -> list[Judgement]:
    """Return the rows that a device is judged by: where its network hops, those for hoppers if it keeps to one of them."""
    hoppers = [each for each in judged if for_hoppers(each.row) and not each.breaches]
    return hoppers if emission.hops and hoppers else judged


def _verdict(region: Region, emission: Emission, judgement: Judgement) -> LegalVerdict:
    row = judgement.row
    lawful = not judgement.breaches
    status = "lawful"
    if lawful:
        share = f", {percent(emission.duty)} of {percent(judgement.duty_limit)} on the air" if row.duty_limit is not None else ""
        sentence = f"{emission.eirp_dbm:.1f} dBm EIRP of {judgement.cap_dbm:.1f} allowed{share}: within {row.rule}"
        if judgement.open_keys:
            status = "conditional"
            sentence += f", on a condition. {row.condition or _usual_words(judgement.open_keys)}"
        elif judgement.keys:
            status = "accepted"
            sentence += f". You answer for its condition: {row.condition or _usual_words(judgement.keys)}"
        else:
            sentence += "."
    else:
        problems = "; ".join(breach.problem for breach in judgement.breaches)
        reserved = any(breach.kind == "use" for breach in judgement.breaches)
        status = "not for data" if reserved else "refused"
        start = "Not allowed for data by" if reserved and emission.use == "data" else "Refused by"
        sentence = f"{start} {row.rule}: {problems}."
        if reserved and row.condition:
            sentence += f" {row.condition}"
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
        changes=_changes(judgement),
        conditions=tuple(conditions),
        sentence=sentence,
        source=row.source,
        standing=row.standing.value,
        checked=row.checked.isoformat(),
        condition=(row.condition or _usual_words(judgement.keys)) if judgement.keys or row.uses else "",
        keys=tuple(judgement.keys),
        open_keys=tuple(judgement.open_keys),
    )


def _changes(judgement: Judgement) -> tuple[str, ...]:
    """Return what would comply; where only conditions stand in the way, the key that answers for them."""
    if judgement.breaches or not judgement.open_keys:
        return tuple(dict.fromkeys(breach.change for breach in judgement.breaches))
    return (_answering(judgement.keys),)


def _answering(keys: Sequence[Condition]) -> str:
    names = ", ".join(f'"{key}"' for key in keys)
    return f"if you answer for that, write radio_settings.accepts = [{names}]"


def _usual_words(keys: Sequence[Condition]) -> str:
    """Return the conditions in words, for a row that has none of its own."""
    words = {
        Condition.HOPPING: "Only if the senders really hop over the channels that the rule asks for.",
        Condition.CARRIER_SENSE: "Only if the program listens before each sending.",
    }
    return " ".join(words.get(key, f"Only where this holds: {key}.") for key in keys)


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
        if row.channels_mhz:
            usable = [middle for middle in row.channels_mhz if lowest <= middle <= highest]
            if usable and not row.holds(mode.frequency_mhz):
                found.append(usable[len(usable) // 2])
        elif first <= last and not first <= mode.frequency_mhz <= last:
            found.append(round((first + last) / 2.0, 3))
    return tuple(dict.fromkeys(found))


def _other_sub_band(region: Region, emission: Emission, verdict: LegalVerdict) -> str:
    """Return, in words, the first other frequency where the same emission is lawful without a condition; empty if there is none."""
    for frequency in candidate_frequencies_mhz(region, emission.mode)[1:]:
        moved = replace(emission, mode=replace(emission.mode, frequency_mhz=frequency))
        found = legal_check(region, moved, look_elsewhere=False)
        if found.unconditional and found.sub_band != verdict.sub_band:
            return f"move to {frequency:g} MHz ({found.rule})"
    return ""


def highest_lawful_power(region: Region, emission: Emission) -> tuple[float, LegalVerdict]:
    """Return the highest power, in tenths of a decibel, at which an emission is lawful, and the verdict there.

    A row without a condition that nobody answers for goes before one with, whatever power that would allow.

    If it is lawful at no power of the class, the lowest power and its refusal are returned.
    """
    power, verdict = _highest_power(region, emission)
    if verdict.lawful:
        return power, verdict
    return power, legal_check(region, replace(emission, mode=replace(emission.mode, tx_power_dbm=power)))


def _highest_power(region: Region, emission: Emission) -> tuple[float, LegalVerdict]:
    """Return the same without a look at other sub-bands, which only a refusal that is told needs."""
    figure = emission.mode.radio.tx_power_dbm
    lowest = figure.value if figure.low is None else figure.low
    highest = figure.value if figure.high is None else figure.high
    feed = emission.feed_loss_db - emission.antenna_gain_dbi
    tries = {highest}
    for row in region.sub_bands:
        tries.add(min(highest, row.eirp_cap_dbm(emission.mode.frequency_mhz) + feed))
        if row.limit_kind is LimitKind.CONDUCTED:
            tries.add(min(highest, row.limit, row.limit + row.free_gain_dbi + feed))
        excess = density_excess_db(row, emission)
        if excess > float("-inf"):
            tries.add(min(highest, emission.mode.tx_power_dbm - excess))
        tries.add(min(highest, ADAPTIVE_FROM_DBM + feed - 0.1))
    usable = sorted({floor(power * 10.0 + 1e-6) / 10.0 for power in tries if power >= lowest}, reverse=True)
    found: list[tuple[float, LegalVerdict]] = []
    for power in [*usable, lowest]:
        verdict = legal_check(region, replace(emission, mode=replace(emission.mode, tx_power_dbm=power)), look_elsewhere=False)
        if verdict.unconditional:
            return power, verdict
        found.append((power, verdict))
    lawful = [each for each in found if each[1].lawful]
    return min(lawful, key=lambda each: len(each[1].open_keys)) if lawful else found[-1]


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
        Frequencies with the fewest conditions that nobody answers for; of those the class's own if it is lawful within 3 dB of
        the best power found, else the best one. If nothing is lawful the emission comes back unchanged with its refusal.
    """
    frequencies: Sequence[float] = (
        (emission.mode.frequency_mhz,) if keep_frequency else candidate_frequencies_mhz(region, emission.mode)
    )
    best: tuple[tuple[int, float], RadioMode, LegalVerdict] | None = None
    for number, frequency in enumerate(frequencies):
        moved = replace(emission, mode=replace(emission.mode, frequency_mhz=frequency))
        if keep_power:
            power, verdict = moved.mode.tx_power_dbm, legal_check(region, moved, look_elsewhere=False)
        else:
            power, verdict = _highest_power(region, moved)
        if not verdict.lawful:
            continue
        worth = (-len(verdict.open_keys), round(power + (3.0 if number == 0 else 0.0), 6))
        if best is None or worth > best[0]:
            mode = replace(moved.mode, tx_power_dbm=power)
            best = (worth, _reported(mode, emission.mode, verdict), verdict)
    if best is None:
        return emission.mode, legal_check(region, emission)
    return best[1], best[2]


def whether_it_hops(region: Region, mode: RadioMode, verdict: LegalVerdict, accepts: Sequence[str]) -> bool | None:
    """Return whether a network whose busiest sensor has this verdict hops: all of it or nothing of it; None where no row asks.

    A hopper and a device that stays on one channel do not hear each other. Without anybody who answers for hopping, each device
    is judged by the row that suits it, and told on which condition.
    """
    rows = [row for row in region.sub_bands if row.holds(mode.frequency_mhz) and for_hoppers(row)]
    if any(row.key == verdict.sub_band for row in rows):
        return True
    answered = bool({Condition.HOPPING, Condition.HYBRID} & {*accepts})
    return False if rows and answered and Technique.FIXED in mode.radio.techniques else None


def conditional_hint(region: Region, emission: Emission, verdict: LegalVerdict) -> str:
    """Return, in words, what a row with a condition would allow beyond the verdict; empty if it is little or nothing.

    Parameters
    ----------
    region : Region
    emission : Emission
        As planned, with the conditions that the user answers for.
    verdict : LegalVerdict
        On that emission.
    """
    if not verdict.unconditional or verdict.status == "licensed":
        return ""
    everything = tuple(key for key in Condition if key not in OF_USE)
    mode, other = lawful_mode(region, replace(emission, accepts=everything, listens_first=True))
    more_db = other.eirp_dbm - verdict.eirp_dbm
    wanted = [key for key in other.keys if key not in emission.accepts]
    if not other.lawful or not wanted or more_db < WORTH_A_HINT_DB:
        return ""
    return (
        f"{verdict.rule} is kept to, {verdict.eirp_dbm:.1f} dBm EIRP. {other.rule} at {mode.frequency_mhz:g} MHz would allow "
        f"{other.eirp_dbm:.1f} dBm EIRP on a condition. {other.condition} {_capital(_answering(other.keys))}."
    )


def _capital(words: str) -> str:
    return words[:1].upper() + words[1:]


def _reported(mode: RadioMode, before: RadioMode, verdict: LegalVerdict) -> RadioMode:
    """Add to a mode's assumptions what the law changed."""
    notes = list(mode.assumptions)
    if mode.frequency_mhz != before.frequency_mhz:
        note = f"Frequency {mode.frequency_mhz:g} MHz taken, where {verdict.rule} allows it."
        notes = [*(line for line in notes if line != mode.frequency_note), note]
        mode = replace(mode, frequency_note=note)
    if mode.tx_power_dbm != before.tx_power_dbm:
        note = f"Power {mode.tx_power_dbm:g} dBm taken, the most that class, antenna and {verdict.rule} allow."
        notes = [*(line for line in notes if line != mode.power_note), note]
        mode = replace(mode, power_note=note)
    return replace(mode, assumptions=tuple(notes))
