"""Use a calibration: the correction and the new spread of any link, and where that is refused."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from meshplan.calibration.model import (
    LEAST_END_SD_DB,
    NOISE_SD_DB,
    Array,
    Term,
    alikeness,
    choose_terms,
    design_matrix,
    own_sd_db,
    reference_distance_m,
)
from meshplan.calibration.warn import in_words
from meshplan.records import Spread
from meshplan.records.measurement import Calibration, LinkCorrection, PredictedLink

SEASON_RESERVE_DB = 3.0
"""Least spread of a link that was itself measured (common practice, no source)."""
DISTANCE_REACH = 1.25
COVER_REACH, COVER_REACH_M = 1.25, 5.0
DIFFRACTION_REACH_DB = 5.0
CLUTTER_REACH_DB = 5.0
FREQUENCY_REACH = 1.1
HEIGHT_REACH = 1.5
"""How far beyond the readings a correction is still used (assumed)."""
CHUNK = 2000
CAUSE_GROUPS = {
    "antenna": ("end", "radio", "clutter"),
    "vegetation": ("cover",),
    "soil": ("ground",),
    "model": ("offset", "class", "slope", "diffraction", "height"),
}
"""Which groups of parameters make up which part of a link's spread."""
ASSUMED_CORRELATION_M = 100.0
"""Distance over which own errors are alike before any reading (assumed)."""


@dataclass(frozen=True)
class Reach:
    """What the readings covered."""

    least_distance_m: float
    most_distance_m: float
    most_cover_m: dict[str, float]
    leaf_states: dict[str, frozenset[bool]]
    most_diffraction_db: float
    most_clutter_db: float
    ground: bool
    classes: frozenset[str]
    frequencies_mhz: tuple[float, ...]
    heights_m2: tuple[float, float]


def reach_of(calibration: Calibration) -> Reach:
    """Return what the readings of a calibration covered."""
    links = [line.link for line in calibration.evidence if line.kind != "noise"]
    cover: dict[str, float] = {}
    leaf: dict[str, frozenset[bool]] = {}
    for link in links:
        for kind, metres in link.cover_m:
            if metres > 0:
                cover[kind] = max(cover.get(kind, 0.0), metres)
                leaf[kind] = leaf.get(kind, frozenset()) | {link.in_leaf}
    heights = [link.antenna_a_agl_m * link.antenna_b_agl_m for link in links]
    heights = [height for height in heights if math.isfinite(height)]
    return Reach(
        min((link.distance_m for link in links), default=math.inf),
        max((link.distance_m for link in links), default=0.0),
        cover,
        leaf,
        max((link.diffraction_db for link in links), default=0.0),
        max((link.clutter_db for link in links), default=0.0),
        any(link.ground_limited for link in links),
        frozenset(link.environment for link in links),
        tuple(sorted({link.frequency_mhz for link in links})),
        (min(heights, default=0.0), max(heights, default=math.inf)),
    )


def correct_links(calibration: Calibration, links: Sequence[PredictedLink]) -> tuple[LinkCorrection, ...]:
    """Return for each link what to add to its predicted power and which spread to use.

    Outside what was measured the correction stops growing at the edge of the readings and the engine's own spread is kept; the
    result says so. A frequency that was not measured gets no correction at all.
    """
    if not calibration.evidence:
        return tuple(_untouched(link, "No readings.") for link in links)
    reach = reach_of(calibration)
    use = _Use.of(calibration)
    result: list[LinkCorrection] = []
    for start in range(0, len(links), CHUNK):
        result += _correct_chunk(use, reach, links[start : start + CHUNK])
    return tuple(result)


@dataclass(frozen=True, eq=False)
class _Use:
    """The calibration as matrices."""

    calibration: Calibration
    terms: tuple[Term, ...]
    prior: Array
    links: list[PredictedLink]
    design: Array
    own: Array
    precision: Array
    pull: Array
    mean: Array
    covariance: Array
    names: frozenset[str]
    members: dict[str, NDArray[np.intp]]
    """Which terms make up each cause of spread."""
    read: Array
    """Power as read over the engine's, of rows that were heard and would else be missing; NaN of all others."""
    read_precision: Array

    @classmethod
    def of(cls, calibration: Calibration) -> _Use:
        """Set up the posterior at the sizes of errors that the calibration keeps."""
        terms = tuple(Term(p.name, p.group, p.unit, p.prior_sd, p.meaning, p.scaled) for p in calibration.parameters)
        factors = calibration.factors
        prior = np.array([p.prior_sd * p.prior_factor * (factors.places if p.scaled else 1.0) for p in calibration.parameters])
        lines = calibration.evidence
        links = [line.link for line in lines]
        names = [term.name for term in terms]
        reference = calibration.reference_distance_m
        design = np.vstack([design_matrix([line.link], names, reference, kind=line.kind) for line in lines])
        power = np.array([line.kind != "noise" for line in lines])
        strange = np.array([line.strangeness for line in lines])
        own = factors.own * own_sd_db(links, _power(terms), reference) * power * strange
        rows = (design * prior**2) @ design.T + own[:, None] * own * alikeness(links, links, factors.correlation_m)
        precision = np.linalg.inv(rows + np.diag([line.sd_db**2 for line in lines]))
        pull = precision @ np.array([line.value_db for line in lines])
        gain = prior[:, None] ** 2 * design.T
        noise = np.array([term.group == "noise" for term in terms])
        read = np.array([line.read_db for line in lines]) - (design * noise) @ (gain @ pull)
        read_precision = np.array([line.read_sd_db for line in lines]) ** -2.0
        members = {cause: np.flatnonzero([term.group in groups for term in terms]) for cause, groups in CAUSE_GROUPS.items()}
        return cls(
            calibration, terms, prior, links, design, own, precision, pull, gain @ pull,
            np.diag(prior**2) - gain @ precision @ gain.T, frozenset(names), members, read, read_precision,
        )  # fmt: skip


def _power(terms: Sequence[Term]) -> tuple[Term, ...]:
    """Return the terms that act on power."""
    return tuple(term for term in terms if term.group != "noise")


def _correct_chunk(use: _Use, reach: Reach, links: Sequence[PredictedLink]) -> list[LinkCorrection]:
    """Correct some links at once."""
    calibration, names = use.calibration, [term.name for term in use.terms]
    reference, factors = calibration.reference_distance_m, calibration.factors
    refusals = [_refusals(link, reach) for link in links]
    held = [_held(link, reach) for link in links]
    design = design_matrix(held, names, reference)
    unknown = _unknown_variance(use, links)
    base = np.maximum(own_sd_db(links, _power(use.terms), reference) ** 2 - unknown, 0.0)
    floor = 0.25 * np.array([link.spread.total_db for link in links]) ** 2
    own = factors.own * np.sqrt(np.maximum(base, floor))
    alike = alikeness(links, use.links, factors.correlation_m)
    across_own = own[:, None] * use.own[None, :] * alike
    across = (design * use.prior**2) @ use.design.T + across_own
    own_mean = across_own @ use.pull
    variance = (
        np.sum((design * use.prior) ** 2, axis=1)
        + own**2
        - np.sum((across @ use.precision) * across, axis=1)
        + unknown * factors.places**2
    )
    own_path = (alike > 1 - 1e-9) & (use.own[None, :] > 0)
    own_mean = _as_read(use, own_path, design @ use.mean, own, own_mean)
    leaf = np.array([link.in_leaf for link in links])
    same_state = np.any(own_path & (leaf[:, None] == np.array([other.in_leaf for other in use.links])), axis=1)
    measured = np.any(own_path, axis=1)
    given = np.array([link.spread.total_db for link in links])
    vegetation = np.array([link.spread.vegetation_db for link in links])
    refused = np.array([bool(reasons) for reasons in refusals]) & ~same_state
    total = np.sqrt(np.maximum(variance, np.where(measured, SEASON_RESERVE_DB**2, 1.0)))
    total = np.where(measured & ~same_state, np.maximum(total, vegetation), total)
    kept = refused & (total <= given)
    total = np.where(refused, np.maximum(total, given), total)
    parts = _by_cause(use, links, design, total)
    noise = {term.name: float(use.mean[i]) for i, term in enumerate(use.terms) if term.group == "noise"}
    words = [in_words(name) for name in names]
    correction = design @ use.mean + own_mean
    freedom = _freedom(factors.freedom, own / total, normal=kept | measured)
    result = []
    for i, link in enumerate(links):
        if not _same_band(link, reach):
            result.append(_untouched(link, *refusals[i]))
            continue
        causes = [(words[k], float(design[i, k] * use.mean[k])) for k in np.flatnonzero(design[i])]
        causes.append(("this link's own readings" if measured[i] else "links nearby", float(own_mean[i])))
        causes = [cause for cause in causes if abs(cause[1]) >= 0.05]
        result.append(
            LinkCorrection(
                link.key,
                float(correction[i]),
                link.spread if kept[i] else Spread(*(float(part) for part in parts[i])),
                max(noise.get(f"noise {link.b}", 0.0), -NOISE_SD_DB),
                bool(same_state[i]),
                not refusals[i],
                refusals[i],
                tuple(sorted(causes, key=lambda cause: (-abs(cause[1]), cause[0]))),
                float(freedom[i]),
            )
        )
    return result


def _freedom(own_freedom: float, share: Array, normal: NDArray[np.bool_]) -> Array:
    """Return the degrees of freedom of the whole error of links of which the own part alone is a Student-t.

    Parameters
    ----------
    own_freedom : float
    share : ndarray, shape (n,)
        Standard deviation of the own part over that of the whole.
    normal : ndarray, shape (n,)
        Links that keep the engine's own spread, or whose own part was read.

    Notes
    -----
    Source
        derived: the fourth cumulants of the parts add up, and that of a Student-t is to first order 6 σ⁴/ν
    """
    if not math.isfinite(own_freedom):
        return np.full(len(share), math.inf)
    return np.where(normal, math.inf, own_freedom / np.clip(share, 1e-3, 1.0) ** 4)


def _as_read(use: _Use, own_path: NDArray[np.bool_], shared: Array, own: Array, own_mean: Array) -> Array:
    """Return the own part of each link; of one that is listed only because it was heard it is what was read of that link itself."""
    chosen = own_path & np.isfinite(use.read)
    if not chosen.any():
        return own_mean
    precision = chosen @ np.nan_to_num(use.read_precision)
    middle = (chosen @ np.nan_to_num(use.read * use.read_precision)) / np.maximum(precision, 1e-12)
    weight = own**2 / (own**2 + 1.0 / np.maximum(precision, 1e-12))
    return np.asarray(np.where(chosen.any(axis=1), weight * (middle - shared), own_mean))


def _untouched(link: PredictedLink, *refusals: str) -> LinkCorrection:
    """Return a link as the engine says."""
    return LinkCorrection(link.key, 0.0, link.spread, 0.0, False, False, refusals, ())


def _unknown_variance(use: _Use, links: Sequence[PredictedLink]) -> Array:
    """Return the prior variance of antennas that were never measured."""
    known = {term.name for term in use.terms}
    sd = next((t.prior_sd for t in use.terms if t.group == "end"), LEAST_END_SD_DB)
    return np.array([sd**2 * sum(f"end {name}" not in known for name in (link.a, link.b)) for link in links])


def _same_band(link: PredictedLink, reach: Reach) -> bool:
    """Whether readings were made near this frequency."""
    return any(max(link.frequency_mhz, f) <= FREQUENCY_REACH * min(link.frequency_mhz, f) for f in reach.frequencies_mhz)


def _refusals(link: PredictedLink, reach: Reach) -> tuple[str, ...]:
    """Return in words how the link lies outside the readings."""
    reasons = []
    if not _same_band(link, reach):
        reasons.append(f"Nothing was measured near {link.frequency_mhz:.0f} MHz.")
    if link.distance_m > DISTANCE_REACH * reach.most_distance_m:
        reasons.append(f"{link.distance_m:.0f} m is farther than any reading ({reach.most_distance_m:.0f} m).")
    if link.distance_m < reach.least_distance_m / DISTANCE_REACH:
        reasons.append(f"{link.distance_m:.0f} m is nearer than any reading ({reach.least_distance_m:.0f} m).")
    for kind, metres in link.cover_m:
        most, words = reach.most_cover_m.get(kind, 0.0), kind.replace("_", " ")
        if metres > 0 and most == 0:
            reasons.append(f"No reading went through {words}.")
        elif metres > COVER_REACH * most + COVER_REACH_M:
            reasons.append(f"{metres:.0f} m of {words} is more than any reading went through ({most:.0f} m).")
        elif metres > 0 and link.in_leaf not in reach.leaf_states[kind]:
            reasons.append(f"{words[:1].upper()}{words[1:]} was not measured {'in leaf' if link.in_leaf else 'bare'}.")
    if link.diffraction_db > reach.most_diffraction_db + DIFFRACTION_REACH_DB:
        reasons.append(
            f"{link.diffraction_db:.0f} dB of diffraction is more than at any reading ({reach.most_diffraction_db:.0f} dB)."
        )
    if link.clutter_db > reach.most_clutter_db + CLUTTER_REACH_DB:
        reasons.append(
            f"{link.clutter_db:.0f} dB for what stands around the ends is more than at any reading "
            f"({reach.most_clutter_db:.0f} dB)."
        )
    if link.ground_limited and not reach.ground:
        reasons.append("No reading was limited by the ground.")
    if link.environment not in reach.classes:
        reasons.append(f"No reading was of the kind '{link.environment}'.")
    height = link.antenna_a_agl_m * link.antenna_b_agl_m
    low, high = reach.heights_m2
    if height > high * HEIGHT_REACH**2 or height < low / HEIGHT_REACH**2:
        reasons.append("The antennas are far higher or lower than at any reading.")
    return tuple(reasons)


def _held(link: PredictedLink, reach: Reach) -> PredictedLink:
    """Return the link with every quantity held at the edge of what was measured."""
    return replace(
        link,
        distance_m=min(max(link.distance_m, reach.least_distance_m), reach.most_distance_m),
        diffraction_db=min(link.diffraction_db, reach.most_diffraction_db),
        clutter_db=min(link.clutter_db, reach.most_clutter_db),
        ground_limited=link.ground_limited and reach.ground,
        cover_m=tuple(
            (kind, min(metres, reach.most_cover_m[kind]))
            for kind, metres in link.cover_m
            if kind in reach.most_cover_m and link.in_leaf in reach.leaf_states[kind]
        ),
    )


def _by_cause(use: _Use, links: Sequence[PredictedLink], design: Array, total_db: Array) -> Array:
    """Split the new variance of links by cause, shape (n, 5) in the order of Spread; together it is `total_db`."""
    variance = {
        cause: np.maximum(np.sum((design[:, index] @ use.covariance[np.ix_(index, index)]) * design[:, index], axis=1), 0.0)
        for cause, index in use.members.items()
    }
    strangers = np.array([f"end {link.a}" not in use.names or f"end {link.b}" not in use.names for link in links])
    given = np.array([(link.spread.model_db, link.spread.elevation_db, link.spread.antenna_db) for link in links]) ** 2
    variance["antenna"] = variance["antenna"] + strangers * given[:, 2] / 2
    own = np.maximum(total_db**2 - np.sum(list(variance.values()), axis=0), 0.25 * total_db**2)
    elevation_share = given[:, 1] / np.maximum(given[:, 0] + given[:, 1], 1e-9)
    parts = np.column_stack(
        [
            variance["model"] + (1 - elevation_share) * own,
            elevation_share * own,
            variance["vegetation"],
            variance["soil"],
            variance["antenna"],
        ]
    )
    return np.asarray(np.sqrt(parts * (total_db**2 / parts.sum(axis=1))[:, None]))


def joint_posterior(calibration: Calibration | None, links: Sequence[PredictedLink]) -> tuple[Array, Array]:
    """Return what is known about links together: mean correction (n,) and covariance (n, n) in dB.

    Links that share an antenna, a cover kind or a stretch of land go up and down together; this is what makes one reading speak for
    others. Without a calibration it is the engine's own belief.
    """
    use = _Use.of(calibration) if calibration is not None and calibration.evidence else None
    known = use.terms if use else ()
    names = {term.name for term in known}
    extra = tuple(term for term in choose_terms(links) if term.name not in names)
    terms = known + extra
    reference = calibration.reference_distance_m if use and calibration else reference_distance_m(links)
    own_factor = calibration.factors.own if use and calibration else 1.0
    length = calibration.factors.correlation_m if use and calibration else ASSUMED_CORRELATION_M
    places = calibration.factors.places if use and calibration else 1.0
    added = [term.prior_sd * (places if term.group == "end" else 1.0) for term in extra]
    prior = np.concatenate([use.prior if use else np.zeros(0), added])
    design = design_matrix(links, [term.name for term in terms], reference)
    own = own_factor * own_sd_db(links, _power(terms), reference)
    covariance = (design * prior**2) @ design.T + own[:, None] * own * alikeness(links, links, length)
    if use is None:
        return np.zeros(len(links)), covariance
    across = (design[:, : len(known)] * use.prior**2) @ use.design.T + own[:, None] * use.own * alikeness(links, use.links, length)
    return across @ use.pull, covariance - across @ use.precision @ across.T
