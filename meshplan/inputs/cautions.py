"""Reads the safety texts that ship with meshplan."""

from __future__ import annotations

import tomllib
from importlib.resources import files

from meshplan.records import CautionRule
from meshplan.sources import Standing


def read_caution_rules() -> tuple[CautionRule, ...]:
    """Return the packaged safety texts in their order on a sheet."""
    document = tomllib.loads(files("meshplan").joinpath("data/cautions.toml").read_text(encoding="utf-8"))
    return tuple(
        CautionRule(entry["key"], entry["when"], entry["text"], entry["source"], Standing(entry["standing"]))
        for entry in document["caution"]
    )
