"""How far colours stay apart for eyes that lack one kind of cone: simulation, lightness and difference, from published formulas."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

# Machado, Oliveira and Fernandes 2009, "A physiologically-based model for simulation of color vision deficiency", table for
# severity 1.0, on linear RGB (figures recalled; each row must sum to one, which a test checks).
VISION = {
    "usual": np.eye(3),
    "protanopia": np.array([[0.152286, 1.052583, -0.204868], [0.114503, 0.786281, 0.099216], [-0.003882, -0.048116, 1.051998]]),
    "deuteranopia": np.array([[0.367322, 0.860646, -0.227968], [0.280085, 0.672501, 0.047413], [-0.011820, 0.042940, 0.968881]]),
    "tritanopia": np.array([[1.255528, -0.076749, -0.178779], [-0.078411, 0.930809, 0.147602], [0.004733, 0.691367, 0.303900]]),
}

# IEC 61966-2-1 (sRGB), D65.
TO_XYZ = np.array([[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]])


def linear(colour: str) -> NDArray[np.float64]:
    """Return linear red, green, blue of "#rrggbb" (IEC 61966-2-1)."""
    coded = np.array([int(colour[i : i + 2], 16) for i in (1, 3, 5)]) / 255
    return np.where(coded <= 0.04045, coded / 12.92, ((coded + 0.055) / 1.055) ** 2.4)


def luminance(colour: str) -> float:
    """Return relative luminance as WCAG 2.2 defines it."""
    return float(TO_XYZ[1] @ linear(colour))


def contrast(one: str, other: str) -> float:
    """Return the contrast ratio of WCAG 2.2, 1 to 21."""
    low, high = sorted((luminance(one), luminance(other)))
    return (high + 0.05) / (low + 0.05)


def lab(colour: str, vision: str) -> NDArray[np.float64]:
    """Return CIE 1976 L*a*b* of a colour as seen with one kind of vision."""
    seen = np.clip(VISION[vision] @ linear(colour), 0, 1)
    x, y, z = TO_XYZ @ seen / TO_XYZ.sum(axis=1)
    f = [v ** (1 / 3) if v > (6 / 29) ** 3 else v / (3 * (6 / 29) ** 2) + 4 / 29 for v in (x, y, z)]
    return np.array([116 * f[1] - 16, 500 * (f[0] - f[1]), 200 * (f[1] - f[2])])


def difference(one: str, other: str, vision: str) -> float:
    """Return CIE 1976 ΔE*ab; about 2.3 is just noticeable, 20 is a plain difference of colour."""
    return float(np.linalg.norm(lab(one, vision) - lab(other, vision)))
