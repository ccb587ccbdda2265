"""The first files of a folder: property.toml with what a person said, and a table of sites with nothing in it but its headings."""

from __future__ import annotations

from pathlib import Path
from typing import Any, Final

import tomlkit
from pydantic import BaseModel, ConfigDict, Field, ValidationError

from meshplan.errors import InputError, nearest_name
from meshplan.inputs.settings_file import SETTINGS_FILE, settings_from
from meshplan.page.edits import SITES_TABLE, Place, new_sites_table
from meshplan.page.toml_text import settings_document
from meshplan.workflow.catalogue import read_catalogue, region_called

DIGITS: Final = 7
"""Decimals of a degree that are written: about a centimetre."""
_HEAD: Final = "What is known of the property; `meshplan check --keys` prints every key that may stand here."


class Beginning(BaseModel):
    """What the page asks for before there is a folder."""

    model_config = ConfigDict(frozen=True, extra="ignore")

    name: str = Field(max_length=200)
    country: str = Field(default="", max_length=100)
    currency: str = Field(default="", max_length=20)
    radio: str = Field(default="", max_length=100)
    place: Place | None = None


def beginning_from(data: object) -> Beginning:
    """Return what a message says of a new folder, or what is wrong with it."""
    try:
        return Beginning.model_validate(data)
    except ValidationError as error:
        first = error.errors()[0]
        key = ".".join(str(part) for part in first["loc"])
        raise InputError(f"does not fit ({first['msg']})", where=f"{SETTINGS_FILE}, key '{key}'", fix="Correct it.") from error


def first_settings(told: Beginning, folder: Path) -> bytes:
    """Return property.toml with what was said, as the reader takes it.

    Raises
    ------
    MeshplanError
        In the reader's words, with the key that is at fault.
    """
    document = tomlkit.document()
    document.add(tomlkit.comment(_HEAD))
    document["name"] = told.name.strip()
    if told.country.strip():
        try:
            region_called(told.country.strip(), folder if folder.is_dir() else None)
        except InputError as error:
            raise InputError(error.problem, where=f"{SETTINGS_FILE}, key 'country'", fix=error.fix) from error
        document["country"] = told.country.strip()
    if told.radio.strip():
        known = [one["name"] for one in lists()["radio"]]
        if told.radio.strip().casefold() not in known:
            problem = f"radio class '{told.radio.strip()}' is not known.{nearest_name(told.radio.strip(), known)}"
            raise InputError(problem, where=f"{SETTINGS_FILE}, key 'radio'", fix="Choose one of the list.")
        document["radio"] = told.radio.strip()
    if told.place is not None:
        document["place"] = {"lat_deg": round(told.place.lat_deg, DIGITS), "lon_deg": round(told.place.lon_deg, DIGITS)}
    if told.currency.strip():
        document["cost"] = {"currency": told.currency.strip()}
    content = tomlkit.dumps(document).encode("utf-8")
    settings_from(settings_document(content))
    return content


def first_files(told: Beginning, folder: Path, *, with_sites: bool = True) -> dict[str, bytes]:
    """Return the files that a folder begins with; `with_sites` adds an empty table of sites where none is there."""
    files = {SETTINGS_FILE: first_settings(told, folder)}
    there = list(folder.glob("sites.*")) if folder.is_dir() else []
    if with_sites and not there:
        files[SITES_TABLE] = new_sites_table()
    return files


def lists() -> dict[str, list[dict[str, Any]]]:
    """Return what may be chosen by name: countries and regions, radio classes and their settings."""
    countries = [
        {"name": region.key, "title": region.title, "known": region.known, "aliases": list(region.aliases)}
        for region in read_catalogue("regions", None).values()
    ]
    radios = [
        {"name": f"{key}-{setting.name}".casefold() if setting is not None else key, "title": radio.title, "of": key}
        for key, radio in read_catalogue("radios", None).items()
        for setting in (None, *(radio.settings if len(radio.settings) > 1 else ()))
    ]
    return {"country": countries, "radio": radios}
