"""What devices are programmed with, as files: devices.json with its schema, and the numbers that devices keep."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import fields, is_dataclass
from pathlib import Path
from types import NoneType
from typing import Any, Final, get_args, get_origin, get_type_hints

from meshplan.records.codec import json_text, record_to_values
from meshplan.records.device_settings import DEVICES_FORMAT, DEVICES_VERSION, DeviceNumber, DevicesFile
from meshplan.reporting.files import csv_text, write_text_atomically

DEVICES_NAME: Final = "devices.json"
SCHEMA_NAME: Final = "devices.schema.json"

_KINDS: Final[Mapping[type, str]] = {str: "string", int: "integer", float: "number", bool: "boolean", NoneType: "null"}


def write_devices_json(devices: DevicesFile, path: Path) -> Path:
    """Write the settings of all devices."""
    return write_text_atomically(path, json_text(devices_document(devices)))


def write_devices_schema(path: Path) -> Path:
    """Write the schema of that file (JSON Schema 2020-12)."""
    return write_text_atomically(path, json_text(devices_schema()))


def write_device_numbers(numbers: Sequence[DeviceNumber], used: Sequence[int], path: Path) -> Path:
    """Write the numbers given away; `used` are those of this plan."""
    rows = [(each.number, each.name, each.identifier, each.number in set(used)) for each in numbers]
    return write_text_atomically(path, csv_text(("number", "name", "identifier", "in_plan"), rows))


def devices_document(devices: DevicesFile) -> dict[str, Any]:
    """Return the file as JSON values."""
    head = {"$schema": SCHEMA_NAME, "format": DEVICES_FORMAT, "format_version": DEVICES_VERSION}
    values: dict[str, Any] = record_to_values(devices)
    return head | values


def devices_schema() -> dict[str, Any]:
    """Return the JSON Schema of `devices_document`, made of the records themselves."""
    parts: dict[str, Any] = {}
    body = _shape(DevicesFile, parts)
    head = {
        "$schema": {"type": "string"},
        "format": {"const": DEVICES_FORMAT},
        "format_version": {"const": DEVICES_VERSION, "description": "Rises when a field changes its meaning or goes."},
    }
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": "Settings for every device of a meshplan plan",
        **body,
        "properties": head | body["properties"],
        "required": ["format", "format_version", *body["required"]],
        "$defs": dict(sorted(parts.items())),
    }


def _shape(kind: Any, parts: dict[str, Any]) -> dict[str, Any]:
    hints, properties = get_type_hints(kind), {}
    for one in fields(kind):
        described = {"description": one.metadata["told"]}
        if "choices" in one.metadata:
            described["enum"] = list(one.metadata["choices"])
        properties[one.name] = _of_type(hints[one.name], parts) | described
    return {"type": "object", "properties": properties, "required": list(properties), "additionalProperties": False}


def _of_type(hint: Any, parts: dict[str, Any]) -> dict[str, Any]:
    if get_origin(hint) is tuple:
        return {"type": "array", "items": _of_type(get_args(hint)[0], parts)}
    if is_dataclass(hint):
        assert isinstance(hint, type)
        if hint.__name__ not in parts:
            parts[hint.__name__] = {}
            parts[hint.__name__] = {"description": (hint.__doc__ or "").strip(), **_shape(hint, parts)}
        return {"$ref": f"#/$defs/{hint.__name__}"}
    choices = get_args(hint)
    if not choices:
        return {"type": _KINDS[hint]}
    if all(one in _KINDS for one in choices):
        return {"type": [_KINDS[one] for one in choices]}
    return {"anyOf": [_of_type(one, parts) for one in choices]}
