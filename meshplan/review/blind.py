"""What a review cannot see, said each time: a log knows only what arrived."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from meshplan.records.review import DeviceReview
from meshplan.review.days import DAY_S
from meshplan.review.watch import BASE_DAYS, GAP_DAYS

ALWAYS = (
    "A log holds what arrived. A gateway, way out or broker that stands still looks like sensors that are silent: where all fall "
    "silent together, look there first.",
    "No log shows that an alarm will get through when it is needed. A sensor whose alarm matters needs a warning on the spot, and "
    "a test by hand that people see, as often as the plan says.",
    "Powers are those of packets that were heard: a link that loses the weak ones looks stronger than it is.",
)


def what_cannot_be_seen(
    devices: Sequence[DeviceReview], first_s: float, last_s: float, heard_by: Mapping[str, Mapping[str, float]]
) -> tuple[str, ...]:
    """Return what this review cannot see, in sentences."""
    found = list(ALWAYS)
    days = (last_s - first_s) / DAY_S
    if days < BASE_DAYS + GAP_DAYS:
        found.append(
            f"The log spans {days:.0f} days. A jump of loss or signal is held against two to four weeks of its own past, ended a "
            "week "
            f"before: until about day {14 + GAP_DAYS} none is told, and slopes need six weeks."
        )
    if days < 730:
        found.append(
            "With less than two years of log what leaves and crops take is the plan's own season, not one that was measured: a "
            "slope "
            "within their uncertainty is not told."
        )
    bare = [each.expected.name for each in devices if each.counters.bits == 0]
    if bare:
        found.append(
            f"No counters in the rows of {_names(bare)}: losses are counted from the interval, and a device that sends less "
            "often looks "
            "like one that loses packets."
        )
    narrow = [each for each in devices if each.counters.bits == 8]
    if narrow:
        hours = min(each.counters.uncountable_s for each in narrow) / 3600.0
        found.append(
            f"Counters of 8 bits ({_names([each.expected.name for each in narrow])}) come round every 256 packets: after "
            f"{hours:.0f} "
            "hours of silence nobody can say how many were lost, and they are estimated from the time."
        )
    for words, figure in (
        ("received power: neither steps nor slopes of the signal", "power_dbm"),
        ("cell voltage: no word about cells", "cell_v"),
    ):
        without = [each.expected.name for each in devices if not np.isfinite(getattr(each.days, figure)).any()]
        if without:
            found.append(f"The rows of {_names(without)} have no {words}.")
    relayed = [each.expected.name for each in devices if each.expected.relays and not heard_by.get(each.expected.name)]
    if relayed:
        found.append(
            f"The rows of {_names(relayed)} do not say who heard them: their power is taken as that at the next device of the "
            "planned "
            "route, and the hops after it are not seen at all."
        )
    return tuple(found)


def _names(names: Sequence[str], most: int = 6) -> str:
    """Return names as a list in words, cut where it is long."""
    if len(names) <= most:
        return ", ".join(names)
    return f"{', '.join(names[:most])} and {len(names) - most} more"
