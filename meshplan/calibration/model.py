"""What may be corrected, how much of it is believed before measuring, and how each link depends on it.

A link's residual (measured minus predicted, dB) is a sum of shared causes, its own part and the error of reading it:

    residual = offset + class + end(a) + end(b) + radio + ground
               − Σ metres·cover − diffraction·L_d − clutter·L_s − slope·10·lg(d/d0) + height·h + own

The own parts of links that run side by side are alike: correlation exp(−(|a−a'| + |b−b'|)/D).
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from zlib import crc32

import numpy as np
from numpy.typing import NDArray

from meshplan.records.measurement import Parameter, PredictedLink

Array = NDArray[np.float64]

OFFSET_SHARE = 0.3
"""Share of the engine's model variance that all links of a property have in common (assumed: 8 dB before measuring, 5–6 after)."""
CLASS_SHARE = 0.2
"""Share of it that the links of one environment have in common (assumed)."""
HUB_PARTNERS = 5
HUB_TIMES = 2.0
"""An end measured with so many partners, and so many times as many as they themselves have, is judged by itself; the others are
places whose offsets are judged together (own choice)."""
MOST_HUBS = 50
"""At most so many ends are judged by themselves: those with most partners."""
RADIO_SD_DB = 3.0
"""Offset of one radio (common practice, no source: 3–6 dB unit to unit)."""
LEAST_END_SD_DB = 2.5
"""Least prior spread of what an antenna and its surroundings add (assumed)."""
SLOPE_SD = 0.5
"""Prior spread of the correction to the distance exponent (assumed)."""
DIFFRACTION_SD = 0.4
"""Prior spread of the share by which diffraction loss is wrong (assumed; coarse terrain smooths edges)."""
CLUTTER_SD = 0.25
"""Prior spread of the share by which the loss of what stands around the ends is wrong (assumed)."""
HEIGHT_SD = 0.4
"""Prior spread of the share by which height gain is wrong (assumed)."""
NOISE_SD_DB = 3.0
"""Prior spread of extra noise at a site (assumed)."""
LEAST_COVER_SD_DB_PER_M = 0.02
"""Least prior spread of a cover kind (assumed: half the gap between published models at 868 MHz and 50 m is 0.05)."""
LEAST_GROUND_SD_DB = 1.5
"""Least prior spread of a ground-limited link's soil (assumed)."""
LEAST_OWN_SHARE = 0.25
"""Least share of a link's variance that is its own."""
UNALIKE_SHARE = 0.3
"""Share of the own variance that changes within half a wavelength, alike with no neighbour (assumed)."""
SAME_M = 0.3
"""Ends so near to each other, and antennas so near in height, are the same."""
HEIGHT_STRETCH = 20.0
"""Raising an antenna by a metre changes what shadows it as much as moving it this far (assumed)."""
HEIGHT_REFERENCE_M2 = 4.0
"""Product of antenna heights at which the height term is zero: 2 m and 2 m."""


@dataclass(frozen=True)
class Term:
    """One column of the model: a parameter and where it sits."""

    name: str
    group: str
    unit: str
    prior_sd: float
    meaning: str

    scaled: bool = False
    """Whether its spread is learned together with that of the other places."""

    @property
    def sparse(self) -> bool:
        """Whether it is a cause of which few are large."""
        return not self.scaled and self.group != "noise"

    def as_parameter(self) -> Parameter:
        """Return the parameter as it stands before measuring."""
        half = 1.6448536 * self.prior_sd
        return Parameter(
            self.name,
            self.group,
            self.unit,
            self.prior_sd,
            0.0,
            self.prior_sd,
            -half,
            half,
            meaning=self.meaning,
            scaled=self.scaled,
        )


def choose_terms(links: Sequence[PredictedLink], *, noise_ends: Iterable[str] = ()) -> tuple[Term, ...]:
    """Return the parameters that these measured links can speak about, with priors from the engine's own spreads.

    Parameters
    ----------
    links : sequence of PredictedLink
        The measured links.
    noise_ends : iterable of str
        Receivers whose noise enters (an SNR was read there).
    """
    if not links:
        return ()
    model_db = _middle([link.spread.model_db for link in links])
    antenna_db = _middle([link.spread.antenna_db for link in links])
    end_sd = max(antenna_db / math.sqrt(2), LEAST_END_SD_DB)
    terms = [
        Term(
            "offset",
            "offset",
            "dB",
            math.sqrt(OFFSET_SHARE) * model_db,
            "all links are this much stronger than the engine says",
        )
    ]
    classes = sorted({link.environment for link in links})
    if len(classes) > 1:
        class_sd = math.sqrt(CLASS_SHARE) * model_db
        terms += [
            Term(f"class {name}", "class", "dB", class_sd, f"links of the kind '{name}' are this much stronger than others")
            for name in classes
        ]
    pairs = {(link.a, link.b) for link in links}
    partners, hubs = Counter(name for pair in pairs for name in pair), _hubs(pairs)
    terms += [
        Term(
            f"end {name}",
            "end",
            "dB",
            end_sd,
            f"antenna, cable, box and surroundings of {name} give this much more than assumed",
            scaled=name not in hubs,
        )
        for name in sorted(partners)
    ]
    radios = sorted({link.radio for link in links})
    if len(radios) > 1:
        terms += [Term(f"radio {key}", "radio", "dB", RADIO_SD_DB, f"radio '{key}' reads this much more") for key in radios]
    terms += _cover_terms(links)
    limited = [link.spread.soil_db for link in links if link.ground_limited]
    if limited and len(limited) < len(links):
        sd = max(_middle(limited), LEAST_GROUND_SD_DB)
        terms.append(Term("ground", "ground", "dB", sd, "links held down by the ground alone are this much stronger"))
    if len({round(link.distance_m, 1) for link in links}) > 1:
        terms.append(Term("distance", "slope", "dB per dB", SLOPE_SD, "power falls faster with distance by this exponent"))
    if any(link.diffraction_db > 0 for link in links):
        terms.append(Term("diffraction", "diffraction", "share", DIFFRACTION_SD, "diffraction loss is larger by this share"))
    if any(link.clutter_db > 0 for link in links):
        meaning = "what stands around the ends costs more by this share"
        terms.append(Term("clutter", "clutter", "share", CLUTTER_SD, meaning))
    heights = [_height_db(link) for link in links]
    if max(heights) - min(heights) > 1.0:
        terms.append(Term("height", "height", "share", HEIGHT_SD, "antenna height gives more by this share"))
    terms += [
        Term(f"noise {name}", "noise", "dB", NOISE_SD_DB, f"noise at {name} is this much higher than assumed")
        for name in sorted(set(noise_ends))
    ]
    return tuple(terms)


def _hubs(pairs: Iterable[tuple[str, str]]) -> frozenset[str]:
    """Return the ends that are judged by themselves: gateways among places, none of a mesh of equals."""
    others: dict[str, set[str]] = {}
    for a, b in pairs:
        others.setdefault(a, set()).add(b)
        others.setdefault(b, set()).add(a)
    ranked = sorted(others, key=lambda name: (-len(others[name]), name))[:MOST_HUBS]
    usual = {name: _middle([len(others[other]) for other in others[name]]) for name in ranked}
    return frozenset(name for name in ranked if len(others[name]) >= max(HUB_PARTNERS, HUB_TIMES * usual[name]))


def _cover_terms(links: Sequence[PredictedLink]) -> list[Term]:
    """Return one dB-per-metre term for each cover kind met, its prior from the engine's spread of vegetation loss."""
    rates: dict[str, list[float]] = {}
    for link in links:
        total = sum(metres for _, metres in link.cover_m)
        for kind, metres in link.cover_m:
            if metres > 0:
                rates.setdefault(kind, []).append(link.spread.vegetation_db / total)
    return [
        Term(
            f"cover {kind}",
            "cover",
            "dB per m",
            max(_middle(values), LEAST_COVER_SD_DB_PER_M),
            f"each metre of {kind} costs this much more",
        )
        for kind, values in sorted(rates.items())
    ]


def reference_distance_m(links: Sequence[PredictedLink]) -> float:
    """Return the geometric mean of the distances, where the slope term is zero."""
    return math.exp(sum(math.log(max(link.distance_m, 1.0)) for link in links) / len(links)) if links else 100.0


def design_matrix(links: Sequence[PredictedLink], names: Sequence[str], reference_m: float, *, kind: str = "power") -> Array:
    """Return how each link's residual depends on each parameter.

    Parameters
    ----------
    links : sequence, length n
    names : sequence of str, length p
        Names of the parameters; what a link has beyond them is left out.
    reference_m : float
    kind : str
        "power", "snr" (noise at b counts against) or "noise" (nothing but noise at b).

    Returns
    -------
    ndarray, shape (n, p)
    """
    column = {name: index for index, name in enumerate(names)}
    design = np.zeros((len(links), len(names)))

    def add(row: int, name: str, value: float) -> None:
        if name in column:
            design[row, column[name]] += value

    for row, link in enumerate(links):
        if kind != "power":
            add(row, f"noise {link.b}", 1.0 if kind == "noise" else -1.0)
        if kind == "noise":
            continue
        add(row, "offset", 1.0)
        add(row, f"class {link.environment}", 1.0)
        add(row, f"end {link.a}", 1.0)
        add(row, f"end {link.b}", 1.0)
        add(row, f"radio {link.radio}", 1.0)
        for cover, metres in link.cover_m:
            add(row, f"cover {cover}", -metres)
        add(row, "ground", 1.0 if link.ground_limited else 0.0)
        add(row, "distance", -10.0 * math.log10(max(link.distance_m, 1.0) / reference_m))
        add(row, "diffraction", -link.diffraction_db)
        add(row, "clutter", -link.clutter_db)
        add(row, "height", _height_db(link))
    return design


def _height_db(link: PredictedLink) -> float:
    """Return 10·log10 of the product of antenna heights over 4 m², zero where a height is unknown."""
    product = link.antenna_a_agl_m * link.antenna_b_agl_m
    return 10.0 * math.log10(product / HEIGHT_REFERENCE_M2) if product > 0 else 0.0


def own_sd_db(links: Sequence[PredictedLink], terms: Sequence[Term], reference_m: float) -> Array:
    """Return what is left of the engine's spread of each link for its own error, so that parameters and own part add up to it."""
    design = design_matrix(links, [term.name for term in terms], reference_m)
    shared = (design**2) @ np.array([term.prior_sd**2 for term in terms]) if terms else np.zeros(len(links))
    total = np.array([link.spread.total_db for link in links]) ** 2
    return np.asarray(np.sqrt(np.maximum(total - shared, LEAST_OWN_SHARE * total)))


def alikeness(first: Sequence[PredictedLink], second: Sequence[PredictedLink], correlation_m: float) -> Array:
    """Return the correlation of the own parts of links, shape (len(first), len(second)).

    Notes
    -----
    Source
        exponential autocorrelation of shadowing along a path, common in mobile radio (named, not opened again); here one factor for
        each end. A link measured twice shares all but the part that changes within half a wavelength
    """
    a, b = _oriented(first), _oriented(second)
    apart = np.abs(a[:, None, :] - b[None, :, :])
    same = np.all(apart < SAME_M, axis=2)
    if correlation_m <= 0:
        return np.asarray(same, dtype=float)
    apart[:, :, 2] *= HEIGHT_STRETCH
    apart[:, :, 5] *= HEIGHT_STRETCH
    gap_m = np.sqrt(np.sum(apart[:, :, :3] ** 2, axis=2)) + np.sqrt(np.sum(apart[:, :, 3:] ** 2, axis=2))
    smooth: Array = np.nan_to_num(np.exp(-gap_m / correlation_m), nan=0.0)
    mixed: Array = np.where(same, 1.0, (1 - UNALIKE_SHARE) * smooth)
    return mixed


def _oriented(links: Sequence[PredictedLink]) -> Array:
    """Return both ends' positions and heights, shape (n, 6), the end with the first name in front: a link is one path both ways."""
    rows = []
    for link in links:
        a = (*_place(link.a, link.a_x_m, link.a_y_m), _known(link.antenna_a_agl_m))
        b = (*_place(link.b, link.b_x_m, link.b_y_m), _known(link.antenna_b_agl_m))
        rows.append((*a, *b) if link.a <= link.b else (*b, *a))
    return np.array(rows, dtype=float).reshape(-1, 6)


def _place(name: str, x_m: float, y_m: float) -> tuple[float, float]:
    """Return a position; one that is not known lies far from all others, the same for the same name."""
    if math.isfinite(x_m) and math.isfinite(y_m):
        return x_m, y_m
    return 1e9 + 1e5 * float(crc32(name.encode())), 0.0


def _known(height_m: float) -> float:
    """Return a height, zero where it is not known: then all are taken as alike."""
    return 0.0 if math.isnan(height_m) else height_m


def _middle(values: Sequence[float]) -> float:
    """Return the median."""
    return float(np.median(np.asarray(values, dtype=float)))
