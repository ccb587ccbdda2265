"""What was found, as sentences with what to check first; each kind has one function."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from meshplan.records.review import DeviceReview, ExpectedCell, ExpectedDevice, Finding
from meshplan.review.cells import CellOutlook
from meshplan.review.days import DAY_S
from meshplan.review.drift import Signals, season_db, slope_at
from meshplan.review.losses import bad_hours, silence_after_s, usual_loss
from meshplan.review.outlook import PROBABLY_FAILS, RECENT_DAYS
from meshplan.review.rates import read_clocks, relay_loads
from meshplan.review.watch import BASE_DAYS, GAP_DAYS, Watched
from meshplan.units import Array

BASE_WEIGHT = {
    "silence": 100.0,
    "cell": 60.0,
    "loss": 50.0,
    "step": 45.0,
    "need": 40.0,
    "way": 35.0,
    "slope": 30.0,
    "load": 25.0,
    "hour": 20.0,
    "clock": 15.0,
}
"""How bad a kind is (own choice): what is lost already before what will be."""
MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")
STILL_DAYS = BASE_DAYS + GAP_DAYS
"""After so many days a jump is the new usual."""
TOGETHER_S = 6.0 * 3600.0
"""Devices that fall silent within this have one cause (own choice), or within three intervals if that is more."""


@dataclass(frozen=True, eq=False)
class Known:
    """All that the tests said."""

    expected: Mapping[str, ExpectedDevice]
    reviews: Mapping[str, DeviceReview]
    signals: Signals
    losses: Mapping[str, Watched]
    cells: Mapping[str, CellOutlook | None]
    intervals_s: Mapping[str, Array]
    heard_shares: Mapping[str, Mapping[str, float]]
    hops: Mapping[str, int]
    first_s: float
    last_s: float

    def weight(self, kind: str, *names: str) -> float:
        """Return how bad a finding is: by kind, by how many hang on it, by what they are for."""
        hurt = [self.expected[name] for name in names if name in self.expected]
        worst = max((math.sqrt(each.importance) * (1.25 if each.alarm else 1.0) for each in hurt), default=1.0)
        return BASE_WEIGHT[kind] * worst * (1.0 + 0.25 * (max(len(hurt), 1) - 1))


def all_findings(known: Known, unheard: tuple[str, ...]) -> tuple[Finding, ...]:
    """Return every finding, the worst first."""
    silent = silent_devices(known)
    found = [
        *_silences(known, silent),
        *_unheard(known, unheard),
        *_cells(known),
        *_losses(known, silent),
        *_steps(known, silent),
        *_needs(known),
        *_ways(known),
        *_slopes(known),
        *_loads(known),
        *_clocks(known),
        *_hours(known),
    ]
    return tuple(sorted(found, key=lambda each: (-each.weight, each.kind, each.device)))


def day_words(time_s: float) -> str:
    """Return a day as people write it: 4 May 2026."""
    date = np.datetime64(int(time_s), "s").astype("datetime64[D]").item()
    return f"{date.day} {MONTHS[date.month - 1]} {date.year}"


def span_words(span_s: float) -> str:
    """Return a time from a minute to years in words."""
    for size_s, word in ((365.25 * DAY_S, "year"), (DAY_S, "day"), (3600.0, "hour")):
        if span_s >= 2.0 * size_s:
            return f"{span_s / size_s:.0f} {word}s"
    return f"{span_s / 60.0:.0f} minutes"


def silent_devices(known: Known) -> dict[str, float]:
    """Return the devices that are silent at the end, with their last packet."""
    found = {}
    for name, review in known.reviews.items():
        days = review.days
        usual = review.counters.interval_s if math.isfinite(review.counters.interval_s) else review.expected.interval_s
        longest = float(days.longest_gap_s.max(initial=0.0))
        if known.last_s - days.last_s > silence_after_s(usual, usual_loss(days), longest):
            found[name] = days.last_s
    return found


def _silences(known: Known, silent: Mapping[str, float]) -> list[Finding]:
    """Return silences: of a gateway where all it serves fall silent together, of a relay where all behind it do, else one by "
    "one."""
    left = dict(silent)
    found = []
    hubs = [(each.gateway, "gateway") for each in known.expected.values() if each.gateway]
    hubs += [(relay, "relay") for each in known.expected.values() for relay in each.relays]
    for hub, role in dict.fromkeys(hubs):
        behind = [name for name in known.reviews if hub in (known.expected[name].gateway, *known.expected[name].relays)]
        if len(behind) < 2 or not all(name in left for name in behind):
            continue
        last = [left[name] for name in behind]
        near_s = max(TOGETHER_S, 3.0 * max(known.expected[name].interval_s for name in behind))
        if max(last) - min(last) > near_s:
            continue
        since = max(last)
        if role == "gateway":
            sentence = (
                f"Nothing has arrived by way of the gateway {hub} since {day_words(since)}, for "
                f"{span_words(known.last_s - since)}: all "
                f"{len(behind)} devices fell silent together. That is the gateway, its way out, or the log, rather than the "
                "devices."
            )
            check = f"Power and network of {hub}; then whether the broker still writes this log; then its antenna and cable."
        else:
            sentence = (
                f"All {len(behind)} devices behind the relay {hub} have been silent since {day_words(since)}, for "
                f"{span_words(known.last_s - since)}: the relay or the link that carries it, rather than the devices."
            )
            check = (
                f"Cells or panel of {hub}, then its antenna, cable and connector, then what has grown or been built on its link."
            )
        found.append(
            Finding("silence", hub, since, sentence, check, known.weight("silence", *behind), _gap(known, since), tuple(behind))
        )
        for name in behind:
            del left[name]
    return found + [_one_silence(known, name, since) for name, since in left.items()]


def _gap(known: Known, since: float) -> dict[str, float]:
    return {"silent_days": (known.last_s - since) / DAY_S}


def _one_silence(known: Known, name: str, since: float) -> Finding:
    review, cell = known.reviews[name], known.cells.get(name)
    sentence = f"{name} has been silent since {day_words(since)}, for {span_words(known.last_s - since)}."
    checks = []
    if cell is not None and cell.visible and cell.used_share > 0.6:
        sentence += f" Its cells were {100 * cell.used_share:.0f} % used, at {cell.volt:.2f} V each."
        checks.append("its cells")
    level = _last_level(review)
    slack = level - review.expected.needed_dbm
    if math.isfinite(slack) and slack < 3.0:
        over = f"{slack:.0f} dB above" if slack >= 0.5 else f"{-slack:.0f} dB under" if slack <= -0.5 else "at"
        sentence += f" Its signal stood {over} what the link needs."
        checks.append("what stands on the link, and its antenna")
    rest = [
        words for words in ("its cells", "its antenna and connector", "whether it is still in its place") if words not in checks
    ]
    way = f" {review.expected.relays[0]} on its way is the other suspect." if review.expected.relays else ""
    return Finding(
        "silence", name, since, sentence, f"{_capital(', then '.join([*checks, *rest]))}.{way}", known.weight("silence", name),
        _gap(known, since),
    )  # fmt: skip


def _capital(words: str) -> str:
    return words[:1].upper() + words[1:]


def _last_level(review: DeviceReview) -> float:
    known = review.days.power_dbm[np.isfinite(review.days.power_dbm)]
    return float(np.median(known[-7:])) if len(known) else math.nan


def _unheard(known: Known, unheard: tuple[str, ...]) -> list[Finding]:
    if not unheard:
        return []
    some = ", ".join(unheard[:8]) + (f" and {len(unheard) - 8} more" if len(unheard) > 8 else "")
    are = "is" if len(unheard) == 1 else "are"
    return [
        Finding(
            "silence", unheard[0], known.first_s, f"Of {some} there {are} no row at all in the log.",
            "Whether it is built and switched on, and whether the log calls it otherwise (--device ID=NAME).",
            0.9 * known.weight("silence", *unheard), {}, unheard[1:],
        )
    ]  # fmt: skip


def cell_words(cell: ExpectedCell, outlook: CellOutlook) -> str:
    """Return what is known of the cells of a device in one sentence."""
    if not outlook.visible:
        return (
            f"{cell.words}, {outlook.volt:.2f} V each: how full they are is not visible by voltage until near the end. By the "
            "plan's "
            f"drain about {span_words(outlook.days_left * DAY_S)} are left, {span_words(outlook.days_low * DAY_S)} to "
            f"{span_words(outlook.days_high * DAY_S)}."
        )
    if outlook.days_left < 1.0:
        return f"{cell.words}, {outlook.volt:.2f} V each: as good as empty."
    return (
        f"{cell.words}, {outlook.volt:.2f} V each: about {100 * outlook.used_share:.0f} % used, empty in "
        f"{span_words(outlook.days_left * DAY_S)}, with 80 % chance in {span_words(outlook.days_low * DAY_S)} to "
        f"{span_words(outlook.days_high * DAY_S)}."
    )


def _cells(known: Known) -> list[Finding]:
    found = []
    for name, outlook in known.cells.items():
        cell = known.expected[name].cell
        if outlook is None or cell is None or not (outlook.soon or outlook.fast):
            continue
        sentence = f"The cells of {name}: {cell_words(cell, outlook)}"
        check = "Put in new cells of the same kind, all together."
        if cell.rechargeable:
            check = "Its panel: dirt, shade, plug; then the battery."
        if outlook.fast:
            sentence += f" It drains {outlook.rate_factor:.1f} times as fast as planned."
            check = f"{check[:-1]}; then why it drains: repeats on a weak link, a radio that never sleeps, a shorter interval."
        figures = {
            "volt": outlook.volt, "used_share": outlook.used_share, "days_left": outlook.days_left, "days_low": outlook.days_low,
            "days_high": outlook.days_high, "drain_factor": outlook.rate_factor,
        }  # fmt: skip
        weight = known.weight("cell", name) * (1.0 if outlook.soon else 0.6)
        found.append(Finding("cell", name, known.last_s, sentence, check, weight, figures))
    return found


def standing_alarm(watched: Watched, last: int, *, share: float = 0.5) -> tuple[int, float] | None:
    """Return the day on which a jump that still stands began, and its size; None where there is none.

    It stands while the last week is more than half its size over what was usual before it.
    """
    starts = watched.starts()
    starts = starts[starts > last - STILL_DAYS]
    for start in starts:
        values = watched.excess + watched.base
        began = _beginning(values, int(start))
        before = values[max(0, began - 14) : began]
        before = before[np.isfinite(before)]
        if not len(before):
            continue
        since = values[began:] - np.median(before)
        known = since[np.isfinite(since)]
        late = since[-7:][np.isfinite(since[-7:])]
        if not len(known):
            continue
        size = float(np.median(known))
        if len(late) and float(np.median(late)) >= share * size and size > 0.0:
            return began, size
    return None


def _beginning(values: Array, alarm: int) -> int:
    """Return the day on which a jump began: the one, within two weeks before its alarm, that splits the values best."""
    first = max(0, alarm - BASE_DAYS)
    part = values[first:]
    best, least = alarm, math.inf
    for day in range(max(first + 1, alarm - 14), alarm + 1):
        left, right = part[: day - first], part[day - first :]
        left, right = left[np.isfinite(left)], right[np.isfinite(right)]
        if len(left) < 7 or not len(right):
            continue
        over = float(np.abs(left - np.median(left)).sum() + np.abs(right - np.median(right)).sum())
        if over < least:
            best, least = day, over
    return best


def _losses(known: Known, silent: Mapping[str, float]) -> list[Finding]:
    raised: dict[str, tuple[int, float, float]] = {}
    for name, watched in known.losses.items():
        days = known.reviews[name].days
        alarm = standing_alarm(watched, days.days - 1)
        if alarm is None or name in silent:
            continue
        before = float(np.sin(max(watched.base[alarm[0]], 0.0)) ** 2)
        sent = float((days.heard + days.lost)[alarm[0] :].sum())
        raised[name] = alarm[0], before, float(days.lost[alarm[0] :].sum()) / max(sent, 1.0)
    found = []
    for receiver in sorted({known.reviews[name].days.receiver for name in raised}):
        all_heard = [name for name, each in known.reviews.items() if each.days.receiver == receiver]
        names = [name for name in raised if name in all_heard]
        starts = [raised[name][0] for name in names]
        if len(names) >= 3 and len(names) > 0.5 * len(all_heard) and max(starts) - min(starts) <= 3:
            since = _day_s(known, names[0], min(starts))
            now, before = (float(np.mean([raised[name][k] for name in names])) for k in (2, 1))
            sentence = (
                f"{len(names)} of {len(all_heard)} devices that {receiver} hears have lost more packets since {day_words(since)}: "
                f"{_percent(now)} against {_percent(before)} before."
            )
            check = f"What is new near {receiver}: another sender on its channel, a switching supply; then its antenna and cable."
            found.append(Finding("loss", receiver, since, sentence, check, known.weight("loss", *names), {}, tuple(names)))
            for name in names:
                del raised[name]
    for name, (start, before, now) in raised.items():
        since = _day_s(known, name, start)
        sentence = f"{name} has lost {_percent(now)} of its packets since {day_words(since)}; before it was {_percent(before)}."
        weak = standing_alarm(known.signals.steps[name], known.reviews[name].days.days - 1)
        if weak is not None:
            sentence += f" Its signal fell by {weak[1]:.0f} dB too."
        check = (
            "Its antenna, connector and cable, and what has come to stand on the link."
            if weak is not None
            else "Another sender on its channel or beside its receiver, and whether it sends at the same time as a neighbour."
        )
        figures = {"loss_share": now, "loss_share_before": before}
        found.append(Finding("loss", name, since, sentence, check, known.weight("loss", name), figures))
    return found


def _percent(share: float) -> str:
    return f"{100 * share:.0f} %" if share >= 0.095 or share < 0.0005 else f"{100 * share:.1f} %"


def _day_s(known: Known, name: str, day: int) -> float:
    return (known.reviews[name].days.first_day + day) * DAY_S


def _steps(known: Known, silent: Mapping[str, float]) -> list[Finding]:
    found = []
    for receiver, watched in known.signals.common_steps.items():
        names = [name for name, each in known.reviews.items() if each.days.receiver == receiver]
        alarm = standing_alarm(watched, len(watched.total) - 1)
        if alarm is not None:
            since = _day_s(known, names[0], alarm[0])
            sentence = f"Everything that {receiver} hears has been {alarm[1]:.0f} dB weaker since {day_words(since)}."
            check = f"Antenna, connector and cable of {receiver}: water in them, a loose plug, an antenna that leans."
            found.append(
                Finding("step", receiver, since, sentence, check, known.weight("step", *names), {"fall_db": alarm[1]}, tuple(names))
            )
    for name, watched in known.signals.steps.items():
        alarm = standing_alarm(watched, known.reviews[name].days.days - 1)
        if alarm is None or name in silent:
            continue
        since = _day_s(known, name, alarm[0])
        sentence = f"The signal of {name} at {known.reviews[name].days.receiver} fell by {alarm[1]:.0f} dB on {day_words(since)}."
        sentence += _slack_words(known.reviews[name])
        check = (
            "Whether it was moved or knocked, its antenna and connector; then what is new on the link: a vehicle, a stack, a wall."
        )
        found.append(Finding("step", name, since, sentence, check, known.weight("step", name), {"fall_db": alarm[1]}))
    return found


def _slack_words(review: DeviceReview) -> str:
    slack = _last_level(review) - review.expected.needed_dbm
    if not math.isfinite(slack):
        return ""
    return f" It stands {slack:.0f} dB above what the link needs." if slack >= 0.5 else " That is under what the link needs."


def _needs(known: Known) -> list[Finding]:
    found = []
    for name, review in known.reviews.items():
        failing = [month for month in review.outlook if month.chance < PROBABLY_FAILS]
        if not failing:
            continue
        first = failing[0]
        lack = max(month.needed_dbm - month.level_dbm for month in failing)
        months = ", ".join(MONTHS[month.month - 1] for month in failing)
        when = (
            "is under its need now"
            if first == review.outlook[0]
            else f"will probably fall under its need in {MONTHS[first.month - 1]}"
        )
        over = review.correction_db
        against = f"{abs(over):.0f} dB {'weaker' if over < 0 else 'stronger'} than planned" if abs(over) >= 0.5 else "as planned"
        sentence = (
            f"The link of {name} to {review.expected.receiver} {when}: it is {against}, and lacks {lack:.0f} dB of what reliable "
            "service "
            f"needs ({months})."
        )
        check = (
            "Raise its antenna or clear the link before then; `meshplan calibrate` with this review's readings shows what helps."
        )
        figures = {"lack_db": lack, "chance": min(month.chance for month in failing), "first_month": float(first.month)}
        found.append(Finding("need", name, known.last_s, sentence, check, known.weight("need", name), figures))
    return found


def _ways(known: Known) -> list[Finding]:
    """Return devices whose packets nearly all come another way than planned."""
    found = []
    for name, review in known.reviews.items():
        expected, heard, hops = review.expected, known.heard_shares.get(name, {}), known.hops.get(name, 0)
        planned = len(expected.relays) + 1
        usual = max(heard, key=lambda each: (heard[each], each), default="")
        as_planned = sum(heard.get(each, 0.0) for each in (expected.receiver, *expected.relays, expected.gateway))
        if heard and as_planned < 0.2 and usual != expected.second_receiver:
            sentence = f"{name} is heard by {usual} and hardly by {expected.receiver}, as planned."
        elif hops and hops != planned and not expected.second_receiver:
            sentence = f"Packets of {name} take {hops} hop{'s' * (hops > 1)}, planned {'is' if planned == 1 else 'are'} {planned}."
        else:
            continue
        check = (
            "Whether it was set up with another parent, or its first link failed and it found another way: read that link again."
        )
        since = known.last_s - RECENT_DAYS * DAY_S
        found.append(Finding("way", name, since, sentence, check, known.weight("way", name), {"hops": float(hops)}))
    return found


def _slopes(known: Known) -> list[Finding]:
    found = []
    for name, review in known.reviews.items():
        days = review.days
        season = season_db(review.expected, days, review.expected.season_spread_by_month_db)
        slope = slope_at(known.signals.own_db[name], days.days - 1, known.signals.correlation, season)
        if slope is None:
            continue
        sentence = (
            f"The signal of {name} at {days.receiver} fades by {-slope.db_per_month:.1f} dB a month "
            f"({-slope.high_db_per_month:.1f} to "
            f"{-slope.low_db_per_month:.1f}) over the last {slope.window_days} days, beyond what the season takes."
        )
        slack = _last_level(review) - review.expected.needed_dbm
        if math.isfinite(slack) and slack > 0.0:
            sentence += f" At that rate it falls under its need in {span_words(slack / -slope.db_per_month * 30.4 * DAY_S)}."
        check = "What grows on the link or around its antenna; water in box, cable or connector; a cell that sags while sending."
        figures = {"db_per_month": slope.db_per_month, "window_days": float(slope.window_days)}
        since = known.last_s - slope.window_days * DAY_S
        found.append(Finding("slope", name, since, sentence, check, known.weight("slope", name), figures))
    return found


def _loads(known: Known) -> list[Finding]:
    days = {name: each.days for name, each in known.reviews.items()}
    found = []
    for load in relay_loads(known.expected, days, known.heard_shares):
        cause = f" {load.causes[0]} sends most of it." if load.causes else ""
        sentence = (
            f"The relay {load.relay} carries {load.packets_per_hour:.1f} packets an hour, planned were "
            f"{load.planned_per_hour:.1f}: its "
            f"cells and its share of the air go faster.{cause}"
        )
        check = (
            f"The interval of {', '.join(load.causes[:3])}, and which way it takes."
            if load.causes
            else "The intervals of the devices behind it."
        )
        figures = {"packets_per_hour": load.packets_per_hour, "planned_per_hour": load.planned_per_hour}
        since = known.last_s - RECENT_DAYS * DAY_S
        found.append(Finding("load", load.relay, since, sentence, check, known.weight("load"), figures, load.causes))
    return found


def _clocks(known: Known) -> list[Finding]:
    found = []
    for name, clock in read_clocks(known.intervals_s, known.expected).items():
        if known.reviews[name].counters.bits == 0:
            continue
        planned = known.expected[name].interval_s
        if clock.setting:
            sentence = f"{name} sends every {clock.interval_s:.0f} s, planned is every {planned:.0f} s."
            check = "The interval set in it; more often costs its cells and the air, more seldom delays what it should tell."
        else:
            pace = "slow" if clock.off_share > 0 else "fast"
            sentence = (
                f"The clock of {name} runs {100 * abs(clock.off_share):.1f} % {pace} against the others: {clock.interval_s:.1f} "
                "s from "
                f"packet to packet, planned {planned:.0f} s."
            )
            check = (
                "Whether it runs on its crystal or a resistor clock, and its temperature; in fixed slots it drifts out of its own."
            )
        since = known.last_s - RECENT_DAYS * DAY_S
        figures = {"interval_s": clock.interval_s, "off_share": clock.off_share}
        found.append(Finding("clock", name, since, sentence, check, known.weight("clock", name), figures))
    return found


def _hours(known: Known) -> list[Finding]:
    found = []
    receivers: dict[str, list[str]] = {}
    for name, review in known.reviews.items():
        receivers.setdefault(review.days.receiver, []).append(name)
    for receiver, names in receivers.items():
        days = [known.reviews[name].days for name in names]
        hours = bad_hours(days, days[0].days - 1)
        if not hours:
            continue
        worst = max(hours, key=lambda each: each.share)
        when = ", ".join(f"{each.hour:02d}–{(each.hour + 1) % 24:02d} h" for each in hours)
        sentence = (
            f"At {receiver} {_percent(worst.share)} is lost at {when} universal time, against {_percent(worst.share_else)} in "
            "the other "
            "hours, day after day."
        )
        check = (
            "What runs at that hour: a pump, a fence charger, a heater, lamps, a neighbour's sender; listen on the channel then."
        )
        figures = {"hour": float(worst.hour), "loss_share": worst.share, "loss_share_else": worst.share_else}
        since = known.last_s - RECENT_DAYS * DAY_S
        found.append(Finding("hour", receiver, since, sentence, check, known.weight("hour", *names), figures, tuple(names)))
    return found
