"""Radios without the network's own header, for published figures that count none."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from meshplan.records.radio import RadioClass, RadioMode, radio_mode


def bare_mode(classes: dict[str, RadioClass], key: str, **more: Any) -> RadioMode:
    """Return a mode whose payload is all that its frame carries."""
    return replace(radio_mode(classes, key, **more), header_bytes=0)
