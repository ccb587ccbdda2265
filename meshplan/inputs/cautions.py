"""Reads the safety texts that ship with meshplan."""

from __future__ import annotations

from meshplan.inputs.catalogue import packaged
from meshplan.records import CautionRule
from meshplan.sources import Standing


def read_caution_rules() -> tuple[CautionRule, ...]:
    """Return the packaged safety texts in their order on a sheet."""
    return tuple(
        CautionRule(entry["key"], entry["when"], entry["text"], entry["source"], Standing(entry["standing"]))
        for entry in packaged("cautions.toml")["caution"]
    )
