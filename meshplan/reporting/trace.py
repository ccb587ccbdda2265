"""Show fields of plan.json so that each figure on a page names the place it comes from.

A figure is written `<data value="…" data-field="plan.routes[0].chance">93 %</data>`. Besides plain paths there are
`count(plan.devices; role=sensor; served=true)`, the number of records that agree, and
`sum(plan.parts; quantity*unit_cost)`, a sum of products over records (records with an unknown factor count as nothing).
"""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from typing import Any

from meshplan.records import Plan
from meshplan.records.codec import plan_to_json
from meshplan.reporting.words import UNKNOWN, text

_STEP = re.compile(r"\.?([^.\[\]]+)|\[(\d+)\]|\[\"((?:[^\"\\]|\\.)*)\"\]")


class TracedPlan:
    """The JSON form of a plan, from which pages take what they show."""

    def __init__(self, plan: Plan, document: dict[str, Any] | None = None) -> None:
        self._document = plan_to_json(plan) if document is None else document

    def value(self, path: str) -> Any:
        """Return the value at a path such as `plan.loses_service["ridge post"][0]`."""
        found: Any = self._document
        for name, index, key in _STEP.findall(path):
            found = found[int(index)] if index else found[json.loads(f'"{key}"') if key else name]
        return found

    def show(self, path: str, written: Callable[[Any], str] = str) -> str:
        """Return the value at a path as HTML; unknown values say so."""
        return _element(path, self.value(path), written)

    def count(self, path: str, written: Callable[[int], str] = str, **wanted: Any) -> str:
        """Return how many records of a list agree with the wanted values."""
        number = sum(all(record[key] == value for key, value in wanted.items()) for record in self.value(path))
        conditions = "".join(f"; {key}={json.dumps(value).strip(chr(34))}" for key, value in wanted.items())
        return _element(f"count({path}{conditions})", number, written)

    def total(self, path: str, *products: str, written: Callable[[float], str]) -> str:
        """Return the sum over records of the given products, such as "quantity*unit_cost"."""
        terms = [_product(record, product) for record in self.value(path) for product in products]
        return _element(f"sum({path}; {'; '.join(products)})", round(sum(terms), 2), written)


def key_step(key: str) -> str:
    """Return the path step of a table key."""
    return f"[{json.dumps(key, ensure_ascii=False)}]"


def _product(record: Any, product: str) -> float:
    result = 1.0
    for name in product.split("*"):
        if not isinstance(record[name], int | float):
            return 0.0
        result *= record[name]
    return result


def _element(path: str, value: Any, written: Callable[[Any], str]) -> str:
    shown = UNKNOWN if value is None else written(value)
    if isinstance(value, bool) or not isinstance(value, int | float):
        return f'<span data-field="{text(path)}">{text(shown)}</span>'
    return f'<data value="{value!r}" data-field="{text(path)}">{text(shown)}</data>'
