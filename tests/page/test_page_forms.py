"""Forms say what the readers say: every column and key, its limits, its words, each checked against the parser behind it."""

from __future__ import annotations

import json
import math
from typing import Annotated, Any, get_args

import pytest
from pydantic import BaseModel

from meshplan.errors import MeshplanError
from meshplan.inputs.columns import Column, UnfitValueError
from meshplan.inputs.cover_columns import COVER_COLUMNS
from meshplan.inputs.settings_file import settings_from, settings_keys
from meshplan.inputs.site_columns import SITE_COLUMNS
from meshplan.page.forms import forms, title_of
from meshplan.settings import PropertySettings

COLUMNS = [*SITE_COLUMNS, *COVER_COLUMNS]


def nested(dotted: str, value: object) -> dict[str, Any]:
    head, _, rest = dotted.partition(".")
    return {head: nested(rest, value) if rest else value}


@pytest.mark.parametrize("column", COLUMNS, ids=lambda column: column.name)
def test_limits_and_words_of_a_column_are_those_of_its_parser(column: Column) -> None:
    entry = column.entry
    if entry.choices:
        for word in entry.choices:
            column.parse(word)
        with pytest.raises(UnfitValueError):
            column.parse("no such word")
    elif entry.kind in ("number", "whole number", "time", "several numbers"):
        step = 1 if entry.kind == "whole number" else 1e-3
        assert entry.low is not None
        assert entry.high is not None
        twelve = column.name == "heights_by_month_m"
        given = (lambda value: [value] * 12) if twelve else (lambda value: value)
        column.parse(given(entry.high))
        column.parse(given(entry.low + (step if entry.above_low else 0)))
        for out in (entry.high + step, entry.low if entry.above_low else entry.low - step):
            with pytest.raises(UnfitValueError):
                column.parse(given(out))
    elif entry.kind == "yes or no":
        assert column.parse("yes") is True
    else:
        assert entry.longest is not None, "every column says what it takes"
        column.parse("x" * entry.longest)
        with pytest.raises(UnfitValueError):
            column.parse("x" * (entry.longest + 1))


def leaves(model: type[BaseModel], prefix: str = "") -> set[str]:
    """Return the dotted keys of the settings by walking them another way than the forms do."""
    found = set()
    for name, field in model.model_fields.items():
        if isinstance(field.default, BaseModel):
            found |= leaves(type(field.default), f"{prefix}{name}.")
        elif not any(isinstance(part, type) and issubclass(part, BaseModel) for part in get_args(field.annotation)):
            found.add(f"{prefix}{name}")
    return found


def test_every_key_of_the_settings_has_a_field_and_no_other() -> None:
    assert {key.dotted for key in settings_keys()} == leaves(PropertySettings)


@pytest.mark.parametrize("key", settings_keys(), ids=lambda key: key.dotted)
def test_limits_and_words_of_a_key_are_those_of_the_reader(key: Any) -> None:
    def read(value: object) -> None:
        settings_from({"name": "x", **nested(key.dotted, value)})

    entry = key.entry
    assert key.meaning
    if key.default not in (None, []):
        read(key.default)
    if entry.choices:
        for word in entry.choices:
            read(word)
        with pytest.raises(MeshplanError):
            read("no such word")
    elif entry.kind in ("number", "whole number"):
        step = 1 if entry.kind == "whole number" else 1e-6
        for limit, sign in ((entry.low, -1), (entry.high, 1)):
            if limit is None:
                continue
            if not (sign < 0 and entry.above_low):
                read(limit)
            with pytest.raises(MeshplanError):
                read(limit + sign * max(step, abs(limit) * 1e-9) if not (sign < 0 and entry.above_low) else limit)
    else:
        assert entry.kind in ("text", "several of")
        read("some text")


def test_forms_are_plain_data_with_unit_meaning_and_title() -> None:
    told = forms()
    assert json.loads(json.dumps(told, allow_nan=False)) == told
    fields = {field["key"]: field for fields in told.values() for field in fields}
    assert len(told["site"]) == len(SITE_COLUMNS)
    assert (fields["antenna_agl_m"]["title"], fields["antenna_agl_m"]["unit"]) == ("Antenna height", "m")
    assert (fields["requirement.hop_limit"]["kind"], fields["requirement.hop_limit"]["high"]) == ("whole number", 8)
    assert fields["cost.mast_per_m"]["usual"] == "12"
    assert fields["terrain.k_factor"]["above_low"] is True
    assert all(field["meaning"] and field["title"] for field in fields.values())
    assert all(math.isfinite(field[end]) for field in fields.values() for end in ("low", "high") if field[end] is not None)


def test_a_new_key_appears_by_itself(monkeypatch: pytest.MonkeyPatch) -> None:
    class More(PropertySettings):
        """The settings with a key that nobody has written a form for."""

        fence_gap_m: Annotated[float, "new"] = 3.0
        """Gap of a fence."""

    monkeypatch.setattr("meshplan.inputs.settings_file.PropertySettings", More)
    field = next(field for field in forms()["settings"] if field["key"] == "fence_gap_m")
    assert (field["title"], field["unit"], field["meaning"], field["usual"]) == ("Fence gap", "m", "Gap of a fence.", "3")
    assert title_of("frequency_mhz") == "Frequency"
