"""What `plan` writes, `check --plan` confirms: cases in which it refused a plan that nobody had touched."""

from __future__ import annotations

from pathlib import Path

import pytest
from small_property import Rows, changed, lay_small_property, usual_sites

from meshplan.cli import EXIT_DONE, EXIT_UNSERVED, main

HEIGHTS = {"power": "battery", "cost": "", "mast_heights_agl_m": "4; 7"}

CASES: dict[str, tuple[Rows, str]] = {
    "a battery post of two heights comes nearest": (
        changed(usual_sites(), {"North post": HEIGHTS, "South post": HEIGHTS | {"mast_heights_agl_m": "3; 6"}}),
        "",
    ),
    "fewer gateways and a post more at the same price": (
        changed(
            [
                *usual_sites(),
                {"name": "Barn", "role": "gateway", "x": 330, "y": 330, "antenna_agl_m": 4.0, "power": "mains", "cost": 100},
            ],
            {"House": {"cost": 60}, "North post": {"use": "forbidden"}, "South post": {"cost": 100}},
        ),
        "",
    ),
}


@pytest.mark.parametrize("case", CASES)
def test_an_untouched_plan_holds(
    case: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    rows, settings = CASES[case]
    folder = lay_small_property(tmp_path / "holding", sites=rows, settings=f"generate_relays = 0\n{settings}")
    monkeypatch.chdir(tmp_path)
    assert main(["plan", str(folder), "-q"]) in (EXIT_DONE, EXIT_UNSERVED)
    out = capsys.readouterr().out
    assert out.count("(chosen)") <= 1, out
    code = main(["check", str(folder), "--plan"])
    assert code in (EXIT_DONE, EXIT_UNSERVED), capsys.readouterr()
    assert main(["sheets", str(folder)]) == EXIT_DONE
