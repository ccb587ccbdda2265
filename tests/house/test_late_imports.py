"""A command loads what it needs: those that look at a folder load nothing of plans, rasters and maps.

That of the sheets stands beside the plan that they are made from, in tests/reporting/test_sheets.py.
"""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

from loaded_modules import loaded_by

VALLEY = Path(__file__).resolve().parents[2] / "sample_sites" / "mirrowick_bottom"


def test_check_and_profile_load_nothing_of_plans_and_maps(tmp_path: Path) -> None:
    """Folder in, words and one picture out."""
    assert loaded_by("check", str(VALLEY)) == []
    assert loaded_by("profile", str(VALLEY), "B18 pump kiosk", "Ridge post", "--out", str(tmp_path)) == []


def test_a_comparison_loads_no_page() -> None:
    """It plans for every class and writes a table."""
    code = "import sys, meshplan.workflow.compare; print(*({'folium', 'jinja2', 'contourpy'} & set(sys.modules)))"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.split() == []
