"""Check a document against a JSON Schema that keeps to the few words that ours use; any other word is refused."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

WORDS = {
    *("$schema", "$defs", "$ref", "title", "description", "type", "enum", "const", "anyOf"),
    *("properties", "required", "additionalProperties", "items"),
}
KINDS: dict[str, tuple[type, ...]] = {
    "string": (str,),
    "integer": (int,),
    "number": (int, float),
    "boolean": (bool,),
    "null": (type(None),),
    "array": (list,),
    "object": (dict,),
}


def faults_of(value: object, schema: dict[str, Any]) -> list[str]:
    """Return what is wrong with a document, each with its place."""
    return list(_faults(value, schema, schema, "$"))


def _faults(value: object, schema: dict[str, Any], root: dict[str, Any], path: str) -> Iterator[str]:
    unknown = set(schema) - WORDS
    assert not unknown, f"the checker does not know {unknown}"
    if "$ref" in schema:
        yield from _faults(value, root["$defs"][schema["$ref"].removeprefix("#/$defs/")], root, path)
    if "const" in schema and value != schema["const"]:
        yield f"{path} is not {schema['const']!r}"
    if "enum" in schema and value not in schema["enum"]:
        yield f"{path} is none of {schema['enum']}"
    if "anyOf" in schema and all(list(_faults(value, one, root, path)) for one in schema["anyOf"]):
        yield f"{path} fits none of its forms"
    if "type" in schema:
        kinds = schema["type"] if isinstance(schema["type"], list) else [schema["type"]]
        is_bool = isinstance(value, bool)
        if not any(isinstance(value, KINDS[kind]) and (is_bool == (kind == "boolean")) for kind in kinds):
            yield f"{path} is no {' or '.join(kinds)}"
            return
    if isinstance(value, dict) and "properties" in schema:
        yield from (f"{path} has no {name}" for name in schema["required"] if name not in value)
        for name, item in value.items():
            if name not in schema["properties"]:
                yield f"{path}.{name} is not known"
            else:
                yield from _faults(item, schema["properties"][name], root, f"{path}.{name}")
    if isinstance(value, list) and "items" in schema:
        for place, item in enumerate(value):
            yield from _faults(item, schema["items"], root, f"{path}[{place}]")
