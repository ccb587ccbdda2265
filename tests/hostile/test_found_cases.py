"""Cases that mutation runs and readers found, each once a traceback, a lie or a hang."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from small_property import changed, lay_small_property, usual_sites, write_sites

from meshplan.cli import main

Capture = pytest.CaptureFixture[str]


def refusal(words: list[str], capsys: Capture) -> str:
    """Return the message of a command that must refuse its input."""
    capsys.readouterr()
    assert main(words) == 2
    return capsys.readouterr().err


@pytest.mark.parametrize("changes", [{"antenna.box_loss_db": 40}, {}], ids=["nothing is heard", "a class that no gateway carries"])
def test_a_sensor_that_nobody_hears_is_told_in_every_output(changes: dict[str, Any], tmp_path: Path, capsys: Capture) -> None:
    """What is missing was stored as infinite; JSON has no such number, and `plan --json` ended in a traceback."""
    sites = usual_sites() if changes else changed(usual_sites(), {"Trough": {"radio": "css-868-sf7"}})
    settings = "".join(f"{key} = {value}\n" for key, value in changes.items())
    folder, out = lay_small_property(tmp_path / "property", sites=sites, settings=settings), ["--out", str(tmp_path / "out")]
    assert main(["check", str(folder)]) == 0
    capsys.readouterr()
    assert main(["plan", str(folder), *out, "--json"]) == 1
    told = json.loads(capsys.readouterr().out)
    assert "Trough" in [miss["sensor"] for miss in told["unserved"]]
    assert main(["sheets", str(folder), *out, "-q"]) == 0
    assert main(["check", str(folder), "--plan", *out]) == 0


@pytest.mark.parametrize("value", ["1e300", "inf", "nan", "-1"])
@pytest.mark.parametrize("key", ["cost.relay", "cost.gateway", "cost.mast_per_m", "requirement.budget"])
def test_prices_beyond_all_money_are_refused(key: str, value: str, tmp_path: Path, capsys: Capture) -> None:
    """Money is reckoned in whole thousandths; 1e300 of them are no number of any machine."""
    folder = lay_small_property(tmp_path / "property", settings=f"{key} = {value}\n")
    assert f"property.toml, key '{key}'" in refusal(["check", str(folder)], capsys)


@pytest.mark.parametrize("rows", ["[1]", "[[]]", '["a"]', "1", "[{key = 1}]", "[{key = []}]"])
def test_rules_that_are_no_tables_are_refused(rows: str, tmp_path: Path, capsys: Capture) -> None:
    folder = lay_small_property(tmp_path / "property")
    (folder / "regions.toml").write_text(f'[regions.home]\ntitle = "x"\nlike = "europe"\nsub_bands = {rows}\n')
    assert refusal(["check", str(folder)], capsys).startswith("regions.toml, regions.home")


@pytest.mark.parametrize(
    "words",
    [["profile", "{}", "Bed", "House", "--height-a", "nan"], ["profile", "{}", "Bed", "House", "--height-b", "inf"],
     ["plan", "{}", "--seconds", "nan"], ["plan", "{}", "--seconds", "inf"], ["coverage", "{}", "--height", "nan"]],
    ids=" ".join,
)  # fmt: skip
def test_options_take_finite_numbers_only(words: list[str], tmp_path: Path, capsys: Capture) -> None:
    folder = lay_small_property(tmp_path / "property")
    said = refusal([*(word.format(folder) for word in words), "--out", str(tmp_path / "out")], capsys)
    assert words[-2] in said
    assert not (tmp_path / "out").exists()


@pytest.mark.parametrize("attributes", ['lat="47.9" lon="-15"', 'lat="nan" lon="-15"'])
def test_a_track_with_odd_times_or_places_is_refused(attributes: str, tmp_path: Path, capsys: Capture) -> None:
    folder = lay_small_property(tmp_path / "property")
    stamp = "yesterday" if "nan" not in attributes else "2024-05-01T10:00:00Z"
    (tmp_path / "t.gpx").write_text(f"<gpx><trk><trkseg><trkpt {attributes}><time>{stamp}</time></trkpt></trkseg></trk></gpx>")
    (tmp_path / "r.csv").write_text("date_time,b,power_dbm\n2024-05-01 10:00,House,-80\n")
    words = ["calibrate", str(folder), str(tmp_path / "r.csv"), "--track", str(tmp_path / "t.gpx"), "--out", str(tmp_path / "out")]
    assert "t.gpx, point 1" in refusal(words, capsys)


def test_two_devices_at_one_place_have_sheets(tmp_path: Path, capsys: Capture) -> None:
    """The chart of a path of no length divided by it."""
    rows = changed(usual_sites(), {"Bed": {"x": 60, "y": 300}})
    folder, out = lay_small_property(tmp_path / "property", sites=rows), ["--out", str(tmp_path / "out"), "-q"]
    assert main(["plan", str(folder), *out]) == 0
    assert main(["sheets", str(folder), *out, "--pdf"]) == 0
    assert "Both antennas stand at one place" in (tmp_path / "out" / "sheets.html").read_text(encoding="utf-8")


@pytest.mark.parametrize("lost", ["House", "South post"])
def test_a_plan_whose_device_is_gone_is_told(lost: str, tmp_path: Path, capsys: Capture) -> None:
    folder, out = lay_small_property(tmp_path / "property"), ["--out", str(tmp_path / "out")]
    assert main(["plan", str(folder), *out, "-q"]) == 0
    kept = [row for row in usual_sites() if row["name"] != lost]
    write_sites(folder / "sites.csv", [row | ({"role": "gateway"} if row["name"] == "North post" else {}) for row in kept])
    capsys.readouterr()
    assert main(["check", str(folder), "--plan", *out]) == 2
    said = capsys.readouterr()
    assert "does not hold" in said.out
    assert lost in said.out
    assert "Traceback" not in said.err


@pytest.mark.parametrize("key", ["panel_battery", "sensor_board", "gateway_board"])
def test_check_refuses_a_supply_that_plan_would_refuse(key: str, tmp_path: Path, capsys: Capture) -> None:
    folder = lay_small_property(tmp_path / "property", settings=f'supply.{key} = "wood"\n')
    assert f"property.toml, key 'supply.{key}': 'wood' is not known" in refusal(["check", str(folder)], capsys)
    assert "'wood' is not known" in refusal(["compare", str(folder), "--out", str(tmp_path / "out")], capsys)


def test_a_message_never_floods_the_screen(tmp_path: Path, capsys: Capture) -> None:
    folder = lay_small_property(tmp_path / "property", settings=f'country = "{"x" * 90_000}"\n')
    (folder / "property.toml").write_text((folder / "property.toml").read_text().replace('country = "europe"\n', ""))
    assert max(map(len, refusal(["check", str(folder)], capsys).splitlines())) <= 1000


UNSOUND = {
    "two devices of one name": lambda plan: plan["devices"].append(plan["devices"][0]),
    "a link to nobody": lambda plan: plan["links"][0].update(a="Nobody"),
    "a link to itself": lambda plan: plan["links"][0].update(b=plan["links"][0]["a"]),
    "a route over no link": lambda plan: plan["routes"][0].update(links=["x"]),
    "a route to nowhere": lambda plan: plan["routes"][0].update(devices=[]),
    "a route that ends at a relay": lambda plan: plan["routes"][-1].update(devices=plan["routes"][-1]["devices"][:-1],
                                                                          links=plan["routes"][-1]["links"][:-1]),
    "no seasons": lambda plan: plan.update(seasons=[]),
    "a season of another plan": lambda plan: plan["links"][0].update(worst_season="never"),
    "a month 13": lambda plan: plan["seasons"][0].update(month=13),
    "a latitude beyond the pole": lambda plan: plan["devices"][0].update(lat_deg=91.0),
    "a place that is not known": lambda plan: plan["devices"][0].update(lon_deg=None),
    "an endless distance": lambda plan: plan["links"][0].update(distance_m="infinity"),
    "a chance of two": lambda plan: plan["links"][0].update(chance=2.0),
    "a profile of other length": lambda plan: plan["links"][0]["profile"]["cover_m"].pop(),
    "a kind of cover that is none": lambda plan: plan["links"][0]["profile"]["cover_kind"].__setitem__(0, 99),
    "a verdict that is none": lambda plan: plan["links"][0].update(verdict="splendid"),
    "a price without words": lambda plan: plan.update(redundancy_prices=[{"cost": 1.0}]),
    "a shape without corners": lambda plan: plan.update(shapes=[{"kind": "wood", "name": "", "height_m": 1.0, "rings": [[]]}]),
    "a cost beyond all money": lambda plan: plan["proof"].update(cost=1e300),
    "silence of no sensor": lambda plan: plan["loses_service"].update(Nobody=["Bed"]),
    "no devices": lambda plan: plan.update(devices=[]),
    "a figure of 400 digits": lambda plan: plan["grid"].update(cell_m=10**400),
    "a whole number of 400 digits": lambda plan: plan["devices"][0].update(sheet=10**400),
}  # fmt: skip


@pytest.fixture(scope="module")
def planned(tmp_path_factory: pytest.TempPathFactory) -> Path:
    home = tmp_path_factory.mktemp("planned")
    lay_small_property(home / "property")
    assert main(["plan", str(home / "property"), "--out", str(home / "out"), "-q"]) == 0
    return home


@pytest.mark.parametrize("damage", UNSOUND)
def test_a_damaged_plan_is_refused_where_it_is_read(damage: str, planned: Path, tmp_path: Path, capsys: Capture) -> None:
    """The codec took all of these; sheets, coverage, PDF or check then tripped over them."""
    document = json.loads((planned / "out" / "plan.json").read_text(encoding="utf-8"))
    UNSOUND[damage](document["plan"])
    (tmp_path / "plan.json").write_text(json.dumps(document))
    for command in (["sheets"], ["coverage"], ["check", "--plan"]):
        said = refusal([command[0], str(planned / "property"), *command[1:], "--out", str(tmp_path)], capsys)
        assert said.startswith(f"{tmp_path / 'plan.json'}, plan"), said
    assert [path.name for path in tmp_path.iterdir()] == ["plan.json"]


@pytest.mark.parametrize("name", ["[]", "{}", "3"])
def test_a_setting_whose_name_is_none_is_refused(name: str, tmp_path: Path, capsys: Capture) -> None:
    folder = lay_small_property(tmp_path / "property")
    settings = f"[{{name = {name}, bit_rate_bps = 1000}}]"
    (folder / "radios.toml").write_text(f'[classes.mine]\nlike = "fsk-868"\nsettings = {settings}\n')
    assert refusal(["check", str(folder)], capsys).startswith("radios.toml, classes.mine")


def test_a_hedge_around_the_world_is_no_hang(tmp_path: Path) -> None:
    """Relay places were looked for along all of its edge, one after the other: a minute for thousands of kilometres."""
    from shapely.geometry import LineString

    from meshplan.grid import Grid
    from meshplan.records import Cover
    from meshplan.terrain.candidates import _edges

    grid = Grid("EPSG:32627", 485_000.0, 5_317_600.0, 5.0, 120, 120)
    hedge = Cover("hedge", "hedge", LineString([(485_300.0, 5_317_300.0), (20_485_300.0, 5_317_300.0)]).buffer(2.0), 2.0)
    places = list(_edges([hedge], grid))
    assert 5 <= len(places) <= 30
    assert all(485_000.0 <= place.x_m <= 485_600.0 for place in places)


@pytest.mark.parametrize("value", ["9" * 5000, "[" * 5000, "1979-13-99"], ids=["5000 digits", "5000 brackets", "no day"])
def test_a_setting_on_the_command_line_that_is_no_value_is_refused(value: str, tmp_path: Path, capsys: Capture) -> None:
    """Long numbers end in an error of Python that is none of the TOML reader's (seed 12167)."""
    folder = lay_small_property(tmp_path / "property")
    said = refusal(["check", str(folder), "--set", f"cost.panel={value}"], capsys)
    assert "cost.panel" in said
    assert max(map(len, said.splitlines())) < 500


def test_an_empty_list_of_radios_is_refused(tmp_path: Path, capsys: Capture) -> None:
    """Its first class was taken, and there was none (seed 2689)."""
    folder = lay_small_property(tmp_path / "property")
    text = (folder / "property.toml").read_text(encoding="utf-8")
    (folder / "property.toml").write_text(text.replace('radio = "fsk-868-50k"', "radio = []"), encoding="utf-8")
    assert "key 'radio'" in refusal(["check", str(folder)], capsys)


@pytest.mark.parametrize("kind", [{"a": {"b": []}}, ["FeatureCollection"], None, 3])
def test_a_map_whose_type_is_no_word_is_refused(kind: object, tmp_path: Path, capsys: Capture) -> None:
    """A type that is a table cannot be looked up (seed 4833)."""
    folder = lay_small_property(tmp_path / "property", settings='cover = "cover.geojson"\n')
    (folder / "cover.geojson").write_text(json.dumps({"type": kind, "features": []}), encoding="utf-8")
    assert "is no GeoJSON" in refusal(["check", str(folder)], capsys)
