"""meshplan: plan a radio network for sensors spread over a property.

>>> import meshplan
>>> plan = meshplan.plan("sample_sites/mirrowick_bottom")  # doctest: +SKIP
>>> plan.links.to_frame(), plan.to_geodataframe(), plan.graph(), plan.map()  # doctest: +SKIP
>>> float(meshplan.free_space_loss_db(1000.0, 868.0).round(2))
91.22

Every name is imported when it is first asked for, so that the import itself costs nothing. What `__all__` lists is stable: within
one major version names, arguments and the meaning of results stay; a change is told in README, "Changes".
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from meshplan.errors import InputError, MeshplanError
    from meshplan.notebook.calls import calibrate, catalogue, check, compare, plan, profile, read_plan, replan
    from meshplan.notebook.formulas import link_chance, terrain_loss_db
    from meshplan.notebook.in_code import PropertyInCode, property_from
    from meshplan.notebook.views import PlanLink, PlanLinks, PropertyPlan, RadioComparison
    from meshplan.propagation.free_space import free_space_loss_db
    from meshplan.propagation.fresnel import fresnel_parameter, fresnel_radius_m
    from meshplan.propagation.knife_edge import knife_edge_loss_db

__version__ = "0.1.0"

_HOME = {
    "InputError": "errors",
    "MeshplanError": "errors",
    "PlanLink": "notebook.views",
    "PlanLinks": "notebook.views",
    "PropertyInCode": "notebook.in_code",
    "PropertyPlan": "notebook.views",
    "RadioComparison": "notebook.views",
    "calibrate": "notebook.calls",
    "catalogue": "notebook.calls",
    "check": "notebook.calls",
    "compare": "notebook.calls",
    "free_space_loss_db": "propagation.free_space",
    "fresnel_parameter": "propagation.fresnel",
    "fresnel_radius_m": "propagation.fresnel",
    "knife_edge_loss_db": "propagation.knife_edge",
    "link_chance": "notebook.formulas",
    "plan": "notebook.calls",
    "profile": "notebook.calls",
    "property_from": "notebook.in_code",
    "read_plan": "notebook.calls",
    "replan": "notebook.calls",
    "terrain_loss_db": "notebook.formulas",
}

__all__ = [
    "InputError",
    "MeshplanError",
    "PlanLink",
    "PlanLinks",
    "PropertyInCode",
    "PropertyPlan",
    "RadioComparison",
    "__version__",
    "calibrate",
    "catalogue",
    "check",
    "compare",
    "free_space_loss_db",
    "fresnel_parameter",
    "fresnel_radius_m",
    "knife_edge_loss_db",
    "link_chance",
    "plan",
    "profile",
    "property_from",
    "read_plan",
    "replan",
    "terrain_loss_db",
]


def __getattr__(name: str) -> Any:
    if name not in _HOME:
        raise AttributeError(f"module 'meshplan' has no attribute '{name}'")
    found = getattr(import_module(f"meshplan.{_HOME[name]}"), name)
    globals()[name] = found
    return found


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
