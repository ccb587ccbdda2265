"""The house keeps its order: a module imports only what lies before it in the flow of data."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

PACKAGE = Path(__file__).resolve().parents[2] / "meshplan"

VOCABULARY = (
    "errors",
    "units",
    "sources",
    "packaged",
    "kinds",
    "settings",
    "grid",
    "machine_code",
    "records",
)
LAYERS = (
    *VOCABULARY,
    "inputs",
    "fetching",
    "terrain",
    "propagation",
    "loss",
    "links",
    "explain",
    "planning",
    "operation",
    "calibration",
    "review",
    "assembly",
    "reporting",
    "workflow",
    "cluster",
    "notebook",
    "page",
    "cli",
    "__main__",
)
ALLOWED = {
    "errors": (),
    "units": (),
    "sources": (),
    "grid": (),
    "settings": (),
    "machine_code": (),
    "packaged": ("units",),
    "kinds": ("errors", "sources"),
    "fetching": ("errors", "units", "sources", "records"),
    "propagation": ("errors", "units", "sources", "packaged", "kinds"),
    "planning": ("errors", "units", "sources", "machine_code", "records"),
    "page": (*VOCABULARY, "inputs", "assembly", "reporting", "workflow"),
}
"""Packages with a narrower view than their place in the list gives them."""


def imports_of(path: Path) -> set[str]:
    """Return the first part of every meshplan module that a file imports, also inside functions."""
    found: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path.name} has a relative import"
            names = [node.module or ""] if node.module != "meshplan" else [f"meshplan.{alias.name}" for alias in node.names]
        elif isinstance(node, ast.Import):
            names = [alias.name for alias in node.names]
        else:
            continue
        found.update(name.split(".")[1] for name in names if name.startswith("meshplan."))
    return found - {"__version__"}


def layer_of(path: Path) -> str:
    """Return the layer a file belongs to."""
    return path.relative_to(PACKAGE).parts[0].removesuffix(".py")


NETWORK = {"urllib3", "certifi", "requests", "httpx", "aiohttp", "socket", "ssl", "http", "ftplib", "socketserver", "asyncio"}
"""Packages that open connections."""

FILES = sorted(path for path in PACKAGE.rglob("*.py") if path != PACKAGE / "__init__.py")


@pytest.mark.parametrize("path", FILES, ids=lambda path: str(path.relative_to(PACKAGE)))
def test_a_module_imports_only_what_lies_before_it(path: Path) -> None:
    layer = layer_of(path)
    assert layer in LAYERS, f"{layer} has no place in the flow: add it to LAYERS and to DEVELOPERS.md"
    before = ALLOWED.get(layer, LAYERS[: LAYERS.index(layer)])
    allowed = {*before, layer}
    assert imports_of(path) <= allowed, f"{path.name} reaches past its layer"


def test_compiled_code_knows_formulas_alone() -> None:
    for path in (PACKAGE / "loss" / "fast").glob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.ImportFrom) and (node.module or "").startswith("meshplan.loss"):
                assert node.module.startswith("meshplan.loss.fast"), f"{path.name} reaches into the composition of losses"


def test_every_layer_is_there() -> None:
    here = {layer_of(path) for path in FILES}
    assert here <= set(LAYERS)
    assert {"errors", "records", "inputs", "terrain", "propagation", "links", "planning", "reporting", "workflow", "cli"} <= here


@pytest.mark.parametrize("layer", ["terrain", "propagation", "links", "planning", "operation", "calibration", "review"])
def test_only_inputs_and_reporting_touch_files(layer: str) -> None:
    for path in (PACKAGE / layer).rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Call):
                name = node.func.id if isinstance(node.func, ast.Name) else getattr(node.func, "attr", "")
                if ast.unparse(node.func) == "os.open":
                    continue  # the null device, to silence a solver's banner
                assert name not in {"open", "read_text", "write_text", "read_bytes", "write_bytes"}, f"{path.name} touches files"


def test_only_one_module_asks_the_network_and_only_one_command_comes_to_it() -> None:
    """What opens a connection stands in `fetching.client`; only `workflow.land` imports `fetching`, and only `cli.land` that."""
    callers: dict[str, set[str]] = {"network": set(), "fetching": set(), "land": set()}
    for path in FILES:
        here = path.relative_to(PACKAGE).with_suffix("").as_posix()
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.ImportFrom):
                names = [node.module or "", *(f"{node.module}.{alias.name}" for alias in node.names)]
            elif isinstance(node, ast.Import):
                names = [alias.name for alias in node.names]
            else:
                continue
            for name in names:
                if name.partition(".")[0] in NETWORK or name.startswith(("urllib.request", "http.")):
                    callers["network"].add(here)
                if name.startswith("meshplan.fetching") and not here.startswith("fetching/"):
                    callers["fetching"].add(here)
                if name.startswith("meshplan.workflow.land"):
                    callers["land"].add(here)
    assert {name for name in callers["network"] if not name.startswith("page/")} == {"fetching/addresses", "fetching/client"}
    assert callers["fetching"] <= {"workflow/land", "workflow/land_fetch"}
    assert callers["land"] <= {"cli/land", "workflow/land"}


SERVER = {"socket", "asyncio", "uvicorn", "starlette"}
ASKS = {"connect", "connect_ex", "create_connection", "open_connection", "create_datagram_endpoint", "getaddrinfo", "sock_connect"}


def test_the_page_listens_and_asks_nobody_and_only_one_command_comes_to_it() -> None:
    """`page.listen` alone has a socket, bound to this machine; nothing of `page` connects; only `cli.open` imports it."""
    sockets, users, comers = set(), set(), set()
    for path in FILES:
        here = path.relative_to(PACKAGE).with_suffix("").as_posix()
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            names = []
            if isinstance(node, ast.ImportFrom):
                names = [node.module or ""]
            elif isinstance(node, ast.Import):
                names = [alias.name for alias in node.names]
            elif isinstance(node, ast.Call) and here.startswith("page/"):
                called = node.func.attr if isinstance(node.func, ast.Attribute) else getattr(node.func, "id", "")
                assert called not in ASKS, f"{here} connects"
                if called == "bind":
                    assert ast.unparse(node.args[0]) == "('127.0.0.1', 0)"
            for name in names:
                first = name.partition(".")[0]
                if first in SERVER and not here.startswith("fetching/"):
                    users.add(here)
                    sockets |= {here} if first == "socket" else set()
                if name.startswith("meshplan.page") and not here.startswith("page/"):
                    comers.add(here)
    assert sockets == {"page/listen"}
    assert all(name.startswith("page/") for name in users)
    assert comers == {"cli/open"}
