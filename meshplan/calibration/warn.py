"""What a careful friend would say about a calibration before anybody relies on it."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from meshplan.calibration.posterior import Inference
from meshplan.records.measurement import Calibration, MeasuredLink, Parameter

TIED = 0.75
"""Partial correlation from which two causes count as tied (assumed)."""
LOOSE = 1.5
"""A tied cause is so many times less sure than if the others were known (assumed)."""
MOST_SETS, MOST_NAMED = 6, 6
FEW_PACKETS = 50
"""Fewer packets prove little (common practice: 100 to a spot)."""
FAR_FROM_PRIOR = 3.0
WORDS = {
    "offset": "the offset of all links",
    "distance": "the distance slope",
    "diffraction": "the diffraction loss",
    "clutter": "the loss of what stands around the ends",
    "height": "the height gain",
    "ground": "the ground",
}


def warnings_of(calibration: Calibration, inference: Inference, measured: Sequence[MeasuredLink]) -> tuple[str, ...]:
    """Return warnings in the order of weight."""
    return (
        *_suspects(calibration),
        *_tied_causes(calibration, inference),
        *_far_parameters(calibration),
        *_classes(calibration),
        *_spread(calibration),
        *_left_out(calibration),
        *_packets(measured),
        *_one_season(measured),
        *_silent(calibration),
    )


def in_words(name: str) -> str:
    """Return a parameter's name as a person would say it."""
    kind, _, rest = name.partition(" ")
    if kind in ("cover", "class"):
        rest = rest.replace("_", " ")
    if not rest:
        return WORDS.get(name, name)
    return {
        "class": f"the kind '{rest}'",
        "end": f"the antenna at {rest}",
        "cover": f"the loss in {rest}",
        "radio": f"the radio '{rest}'",
        "noise": f"the noise at {rest}",
    }.get(kind, name)


def figure(parameter: Parameter, value: float) -> str:
    """Return a parameter's value with its unit in words."""
    if parameter.unit == "dB per m":
        return f"{value:+.2f} dB per m"
    if parameter.unit == "share":
        return f"{100 * value:+.0f} %"
    if parameter.unit == "dB per dB":
        return f"{value:+.2f} in the exponent"
    return f"{value:+.1f} dB"


def _suspects(calibration: Calibration) -> list[str]:
    """Name readings that do not go with the rest."""
    return [
        f"{fit.measured.link.a} to {fit.measured.link.b}: {fit.measured.power_dbm:.0f} dBm was read, the other places say "
        f"{fit.left_out_dbm:.0f} ± {1.645 * fit.left_out_sd_db:.0f} dBm. Look for swapped ids, a wrong position or a "
        "different antenna."
        for fit in calibration.fitted
        if fit.suspect
    ]


def _tied_causes(calibration: Calibration, inference: Inference) -> list[str]:
    """Name sets of causes of which the readings know only what they do together.

    Two causes are tied if knowing one would settle the other: their partial correlation is high, and each is much less sure than
    it would be if the other were known.
    """
    covariance = inference.mixed_covariance
    precision = np.linalg.inv(covariance + 1e-12 * np.diag(np.diag(covariance)))
    scale = np.sqrt(np.diag(precision))
    partial = np.abs(precision / scale[:, None] / scale[None, :])
    loose = np.sqrt(np.diag(covariance)) * scale > LOOSE
    graph = (partial >= TIED) & loose[:, None] & loose[None, :]
    from scipy.sparse.csgraph import connected_components  # noqa: PLC0415 - heavy, and needed only with readings

    labels = connected_components(graph, directed=False)[1]
    sets = [np.flatnonzero(labels == label) for label in range(labels.max() + 1)]
    sets = sorted((s for s in sets if len(s) > 1), key=lambda s: (len(s), calibration.parameters[s[0]].name))
    sentences = [_tie([calibration.parameters[i].name for i in tied]) for tied in sets[:MOST_SETS]]
    if len(sets) > MOST_SETS:
        sentences.append(f"{len(sets) - MOST_SETS} more sets of causes cannot be told apart.")
    return sentences


def _tie(names: Sequence[str]) -> str:
    """Say that causes are tied, and what to measure to part them."""
    kinds = {name.partition(" ")[2].replace("_", " ") for name in names}
    if len(names) == 2 and len(kinds) == 1 and names[0].startswith("class") and names[1].startswith("cover"):
        kind = kinds.pop()
        return (
            f"The readings cannot tell a fixed loss of links through {kind} from a loss per metre of {kind}. Measure links through "
            f"little and through much {kind}."
        )
    return (
        f"The readings cannot tell {listed([in_words(name) for name in names])} apart: only what they do together is known. "
        "Measure a link that has one without the others."
    )


def listed(names: Sequence[str]) -> str:
    """Return names as "a, b and c", at most six of them."""
    shown = [*names[:MOST_NAMED], f"{len(names) - MOST_NAMED} more"] if len(names) > MOST_NAMED else [*names]
    return f"{', '.join(shown[:-1])} and {shown[-1]}" if len(shown) > 1 else "".join(shown)


def _far_parameters(calibration: Calibration) -> list[str]:
    """Name parameters far from what was believed."""
    sentences = []
    for p in calibration.parameters:
        if abs(p.mean) > FAR_FROM_PRIOR * p.prior_sd:
            words = in_words(p.name)
            sentences.append(
                f"{words[0].upper()}{words[1:]} comes out at {figure(p, p.mean)}, far from what was expected. Check transmit "
                "power, antenna, height and units before you believe it."
            )
    return sentences


def _classes(calibration: Calibration) -> list[str]:
    """Name environments that still do not fit."""
    return [
        f"Environment '{line.environment}': mean {line.mean_after_db:+.1f} dB, spread {line.sd_after_db:.1f} dB after "
        f"calibration. {line.sentence}"
        for line in calibration.residuals
        if not line.fits and line.environment != "all"
    ]


def _spread(calibration: Calibration) -> list[str]:
    """Say when errors are larger than the engine said."""
    factors = calibration.factors
    if factors.own_low <= 1.0:
        return []
    return [
        f"Single links differ {factors.own:.1f} times as much as the engine expected ({factors.own_low:.1f} to "
        f"{factors.own_high:.1f} times). Spreads were widened."
    ]


def _left_out(calibration: Calibration) -> list[str]:
    """Say when the engine does not beat a fit on distance alone, or when nothing could be left out."""
    left = calibration.left_out
    if left is None:
        return ["All readings share one place: nothing says how well other places would be predicted."]
    if math.isfinite(left.distance_only_db) and left.error_db > left.distance_only_db + 0.3:
        return [
            f"A plain fit on distance predicts left-out places to {left.distance_only_db:.1f} dB, this calibration to "
            f"{left.error_db:.1f} dB. Doubt the terrain, cover or heights that were given."
        ]
    return []


def _packets(measured: Sequence[MeasuredLink]) -> list[str]:
    """Say which packet counts prove little."""
    few = [m for m in measured if m.packets is not None and m.packets.sent < FEW_PACKETS]
    if not few:
        return []
    worst = min(few, key=lambda m: (m.packets.sent if m.packets else 0, m.link.key))
    assert worst.packets is not None
    return [
        f"{len(few)} links were tested with fewer than {FEW_PACKETS} packets. {worst.packets.received} of "
        f"{worst.packets.sent} ({worst.link.a} to {worst.link.b}) only says that {100 * worst.packets.low:.0f} to "
        f"{100 * worst.packets.high:.0f} % get through."
    ]


def _one_season(measured: Sequence[MeasuredLink]) -> list[str]:
    """Say which state of leaf was never measured, where there is cover."""
    covered = [m for m in measured if m.link.cover_m]
    states = {m.link.in_leaf for m in covered}
    if len(states) != 1:
        return []
    seen, unseen = ("in leaf", "bare") if states == {True} else ("bare", "in leaf")
    return [f"All links through cover were measured {seen}. Nothing was learned about cover that is {unseen}."]


def _silent(calibration: Calibration) -> list[str]:
    """Name parameters the readings say nothing about."""
    silent = [in_words(p.name) for p in calibration.parameters if not p.informed and p.group not in ("end", "radio")]
    return [f"The readings say next to nothing about {', '.join(silent)}."] if silent else []
