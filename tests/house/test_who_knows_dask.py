"""One module imports Dask, and only a run that asks for a cluster imports that module."""

from __future__ import annotations

import ast
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
KNOWS = "meshplan/cluster/engine.py"


def test_one_module_imports_dask() -> None:
    found = set()
    for path in (ROOT / "meshplan").rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            names = [node.module or ""] if isinstance(node, ast.ImportFrom) else []
            names += [alias.name for alias in node.names] if isinstance(node, ast.Import) else []
            if any(name.split(".")[0] in ("dask", "distributed") for name in names):
                found.add(path.relative_to(ROOT).as_posix())
    assert found == {KNOWS}


def test_a_plain_plan_imports_neither_dask_nor_the_cluster(tmp_path: Path) -> None:
    code = (
        "import sys\n"
        "from meshplan.cli import main\n"
        f"main(['plan', {str(ROOT / 'sample_sites' / 'pellimoor_orchard')!r}, '--out', {str(tmp_path)!r}, '-q'])\n"
        "print([name for name in sys.modules if name.split('.')[0] in ('dask', 'distributed') or 'meshplan.cluster' in name])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.splitlines()[-1] == "[]"
