"""`check --plan` works out everything a plan says: a table of forgeries, of which none may be accepted, and genuine plans that are.

The forgeries are made in plan.json itself, as somebody would who wants a plan to look better, or different, than it is.
"""

from __future__ import annotations

import copy
import json
import shutil
from collections.abc import Callable
from importlib.metadata import version as installed
from pathlib import Path
from typing import Any

import pytest
from small_property import changed, lay_small_property, usual_sites, write_sites

from meshplan import __version__
from meshplan.cli import main

SITES = Path(__file__).resolve().parents[2] / "sample_sites"
BOTH = 'requirement.second_route="any one relay"'
Record = dict[str, Any]
Capture = pytest.CaptureFixture[str]


def _make(folder: Path, *words: str) -> Path:
    """Plan the small holding with two posts asked for; return the folder with `property` and `out`."""
    sites = changed(usual_sites(), {"Bed": {"x": 90, "y": 320, "downlink_bytes": 4}})
    lay_small_property(folder / "property", sites=sites)
    assert main(["plan", str(folder / "property"), "--out", str(folder / "out"), "-q", *words]) in (0, 1)
    return folder


@pytest.fixture(scope="module")
def once(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return _make(tmp_path_factory.mktemp("once"))


@pytest.fixture(scope="module")
def twice(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a plan in which two routes are asked by --set: both posts are built."""
    return _make(tmp_path_factory.mktemp("twice"), "--set", BOTH)


def _forged(folder: Path, forge: Callable[[Record], None], capsys: Capture, tmp_path: Path) -> tuple[int, str]:
    shutil.copytree(folder, tmp_path, dirs_exist_ok=True)
    path = tmp_path / "out" / "plan.json"
    document = json.loads(path.read_text(encoding="utf-8"))
    before = copy.deepcopy(document)
    forge(document["plan"])
    assert document != before, "the forgery changed nothing"
    path.write_text(json.dumps(document), encoding="utf-8")
    capsys.readouterr()
    code = main(["check", str(tmp_path / "property"), "--plan", "--out", str(tmp_path / "out")])
    shown = capsys.readouterr()
    return code, shown.out + shown.err


def _device(plan: Record, name: str) -> Record:
    return next(device for device in plan["devices"] if device["name"] == name)  # type: ignore[no-any-return]


def _route(plan: Record, sensor: str) -> Record:
    return next(route for route in plan["routes"] if route["sensor"] == sensor)  # type: ignore[no-any-return]


def _set(path: str, value: Any) -> Callable[[Record], None]:
    """Return a forgery that writes a value at a path such as `proof.cost` or `links.0.margin_db`."""

    def forge(plan: Record) -> None:
        *steps, last = path.split(".")
        place: Any = plan
        for step in steps:
            place = place[int(step)] if step.isdigit() else place[step]
        place[int(last) if last.isdigit() else last] = value

    return forge


def _less(path: str, amount: float) -> Callable[[Record], None]:
    """Return a forgery that lowers a number, whatever it is."""

    def forge(plan: Record) -> None:
        value: Any = plan
        for step in path.split("."):
            value = value[int(step)] if step.isdigit() else value[step]
        _set(path, value - amount)(plan)

    return forge


def _nobody_can_be_served(plan: Record) -> None:
    for device in plan["devices"]:
        device["in_plan"] = device["role"] == "sensor"
        device["served"] = False
    miss = {"nearest": "House", "missing_db": 30.0, "reason": "no gateway or relay candidate hears it well enough", "remedies": []}
    plan["unserved"] = [{"sensor": route["sensor"], **miss} for route in plan["routes"]]
    plan["routes"], plan["parts"], plan["loses_service"] = [], [], {}
    plan["proof"] |= {"cost": 0.0, "lower_bound": 0.0, "certified_bound": 0.0, "certificate": {}}


def _one_sensor_left_out(plan: Record) -> None:
    plan["routes"] = [route for route in plan["routes"] if route["sensor"] != "Bed"]
    miss = {"nearest": "House", "missing_db": 3.0, "reason": "serving it would cost more than the budget", "remedies": []}
    plan["unserved"] = [{"sensor": "Bed", **miss}]
    _device(plan, "Bed")["served"] = False


def _useless_relay(plan: Record) -> None:
    post = _device(plan, "North post")
    post["in_plan"] = True
    plan["proof"] |= {"cost": plan["proof"]["cost"] + post["cost"], "lower_bound": plan["proof"]["lower_bound"] + post["cost"]}


def _useless_relay_with_another_sentence(plan: Record) -> None:
    _useless_relay(plan)
    plan["proof"]["sentence"] += " Bound from the solver, not certified."


def _useless_relay_claimed_by_a_clock(plan: Record) -> None:
    _useless_relay_with_another_sentence(plan)
    plan["proof"]["limits"] = {"time_s": 5.0, "iterations": 200, "seed": 1}


def _no_certificate(plan: Record) -> None:
    plan["proof"] |= {"certificate": {}, "lower_bound": 1e9, "certified_bound": 0.0}


def _no_certificate_modest_words(plan: Record) -> None:
    plan["proof"] |= {"certificate": {}, "certified_bound": 1e9}


def _cost_unknown(plan: Record) -> None:
    plan["proof"]["cost"] = None


def _proven_though_it_is_not(plan: Record) -> None:
    plan["proof"] |= {"lower_bound": 100.0, "certified_bound": 100.0, "gap": 0.5, "optimal": True}


def _certificate_with_a_row_that_is_no_cut(plan: Record) -> None:
    row = max(plan["proof"]["certificate"]["rows"], key=lambda row: len(row["members"]))
    row["members"] = row["members"][:-1]


def _certificate_without_a_field(plan: Record) -> None:
    del plan["proof"]["certificate"]["rows"][0]["sensor_id"]


def _certificate_of_nonsense(plan: Record) -> None:
    plan["proof"]["certificate"] = {"bound_units": "many", "rows": [1, 2]}


def _weaker_route(plan: Record) -> None:
    route = _route(plan, "Bed")
    route["devices"], route["links"] = ["Bed", "South post", "House"], route["links"]


def _unlawful_hidden(plan: Record) -> None:
    for line in plan["legal"]:
        line["lawful"], line["detail"] = True, "All is well."
        line["rule"] = "none"


def _radio_of_another_class(plan: Record) -> None:
    plan["made_with"]["radio"] = "gfsk-2g4-250k-board"


def _settings_never_used(plan: Record) -> None:
    plan["made_with"]["settings"] = {"requirement.link_chance": 0.99}


def _hash(plan: Record) -> None:
    plan["inputs"][1]["sha256"] = "0" * 64


def _a_file_kept_quiet(plan: Record) -> None:
    plan["inputs"] = plan["inputs"][:-1]


def _no_files(plan: Record) -> None:
    plan["inputs"] = []


def _another_gateway_for_nothing(plan: Record) -> None:
    sentence = "no gateway: 2 sensors served with 0 relays for 1 EUR."
    free = {"gateways": [], "sensors_served": 2, "cost": 1.0, "weakest_chance": 0.9, "sentence": sentence, "chosen": False}
    plan["gateway_options"].append(free)


def _another_gateway_in_other_words(plan: Record) -> None:
    plan["gateway_options"].append(plan["gateway_options"][0] | {"chosen": False, "sentence": "No other is worth a look."})


def _price_of_what_is_asked(plan: Record) -> None:
    plan["redundancy_prices"][0] |= {"cost": 1.0, "sentence": "One route for each sensor: 1 EUR."}


ONE_ROUTE: dict[str, Callable[[Record], None]] = {
    "nobody can be served": _nobody_can_be_served,
    "one sensor left out for the budget": _one_sensor_left_out,
    "a useless relay, proven": _useless_relay,
    "a useless relay, by the solver": _useless_relay_with_another_sentence,
    "a useless relay, by the solver in a time limit": _useless_relay_claimed_by_a_clock,
    "a bound without certificate": _no_certificate,
    "a certified bound without certificate": _no_certificate_modest_words,
    "no cost": _cost_unknown,
    "another cost": _set("proof.cost", 12.0),
    "an infinite cost": _set("proof.cost", "infinity"),
    "another bound": _set("proof.lower_bound", 223.0),
    "a bound of no number": _set("proof.lower_bound", None),
    "another gap": _set("proof.gap", 0.2),
    "proven though it is not": _proven_though_it_is_not,
    "not proven though the sentence says so": _set("proof.optimal", False),
    "another sentence": _set("proof.sentence", "Proven: the cheapest plan there will ever be."),
    "a row that is no cut": _certificate_with_a_row_that_is_no_cut,
    "a row without sensor": _certificate_without_a_field,
    "a certificate of nonsense": _certificate_of_nonsense,
    "limits of nonsense": _set("proof.limits", {"time_s": -3, "iterations": "many", "seed": None}),
    "another route": _weaker_route,
    "another route chance": _less("routes.0.chance", 0.013),
    "another latency": _set("routes.0.latency_s", 0.001),
    "a note about a second way": _set("routes.0.second_note", "none needed: no relay lies on its way"),
    "a second route nobody asked": _set(
        "single_routes", [{"sensor": "Bed", "nearest": "", "missing_db": 0.0, "reason": "", "remedies": []}]
    ),
    "another device height": _set("devices.2.antenna_agl_m", 9.0),
    "another longitude": _set("devices.2.lon_deg", -21.0),
    "another device price": _set("devices.2.cost", 1.0),
    "another power": _set("devices.2.power", "panel"),
    "another antenna": _set("devices.2.antenna", "collinear"),
    "another reason": _set("devices.2.reason", "It looks nice there."),
    "another battery life": _set("devices.0.energy.life_years", 25.0),
    "another duty": _set("devices.0.duty.duty_share", 0.0),
    "another header": _set("routes.0.hops.0.header_ms", 0.0),
    "fewer tries": _set("routes.0.hops.0.mean_tries", 1.0),
    "fewer readings that arrive": _set("routes.0.delivered_chance", 0.5),
    "a lower floor": _set("routes.0.required_chance", 0.5),
    "a quiet channel": _set("channels.0.fast_load", 0.0),
    "a stable channel in other words": _set("channels.0.sentence", "All is quiet."),
    "commands nobody sends": _set("commands", []),
    "commands in time": _set("commands.0.fit", True),
    "a shorter wait": _set("commands.0.wait_s", 1.0),
    "an option that does not serve": _set("commands.0.options.0.life_years", 20.0),
    "airtime kept free": _set("made_with.airtime_factor", 1.5),
    "another caution": _set("devices.0.cautions", []),
    "another margin": _set("links.0.margin_db", 40.0),
    "another link chance": _less("links.0.chance", 0.013),
    "another verdict": _set("links.0.verdict", "ample and more"),
    "another link sentence": _set("links.0.sentence", "It will do."),
    "another loss": _set("links.0.seasons.0.path_loss_db", 80.0),
    "a link forgotten": lambda plan: plan["links"].pop(),
    "a part forgotten": lambda plan: plan["parts"].pop(),
    "another quantity": _set("parts.0.quantity", 99),
    "loses service with nothing": _set("loses_service", {}),
    "rules kept quiet": _unlawful_hidden,
    "another country": _set("country", "Atlantis"),
    "a lower chance asked": _set("required_chance", 0.5),
    "another currency": _set("currency", "USD"),
    "assumptions kept quiet": _set("assumptions", []),
    "unknowns kept quiet": _set("unknowns", []),
    "cautions kept quiet": _set("cautions", []),
    "another grid": _set("grid.cell_m", 1.0),
    "another radio": _set("radio.sensitivity_dbm", -150.0),
    "a radio it was not made with": _radio_of_another_class,
    "settings it was not made with": _settings_never_used,
    "calibrated though it is not": _set("made_with.calibrated", True),
    "a chosen gateway that is not": _set("gateway_options.0.cost", 1.0),
    "a chosen gateway in other words": _set("gateway_options.0.sentence", "House: 2 sensors served with 1 relay for 2 EUR."),
    "another gateway in other words": _another_gateway_in_other_words,
    "another gateway for nothing": _another_gateway_for_nothing,
    "a plain price in other words": _set("redundancy_prices.0.sentence", "One route for each sensor: 1 EUR."),
    "another price of what is asked": _price_of_what_is_asked,
    "a bound above what is asked": _set("redundancy_prices.0.lower_bound", 999.0),
    "a proven plan stopped by a clock": _set("proof.stopped", "time limit"),
    "a search stopped by nothing": _set("proof.stopped", "when it rained"),
    "a limit that is none": _set("proof.limits.coffee_cups", 3),
    "no seed": lambda plan: plan["proof"]["limits"].pop("seed"),
    "no version": _set("version", ""),
    "a version of words": _set("version", "the newest"),
    "software that was no part": _set("proof.versions.oracle", "1.0"),
    "software kept quiet": _set("proof.versions", {}),
    "another hash": _hash,
    "a file kept quiet": _a_file_kept_quiet,
    "no files": _no_files,
}


@pytest.mark.parametrize("name", ONE_ROUTE)
def test_no_forgery_is_accepted(name: str, once: Path, tmp_path: Path, capsys: Capture) -> None:
    code, shown = _forged(once, ONE_ROUTE[name], capsys, tmp_path)
    assert code == 2, shown
    assert "the plan holds" not in shown
    assert "Traceback" not in shown


def test_what_no_folder_can_tell_is_named_as_not_covered(once: Path, tmp_path: Path, capsys: Capture) -> None:
    """Other versions and other limits may be true: they are accepted, and named with what is at work here."""

    def forge(plan: Record) -> None:
        plan["version"] = "0.0.1"
        plan["proof"]["versions"]["numpy"] = "1.0"
        plan["proof"]["limits"]["seed"] = 1

    code, shown = _forged(once, forge, capsys, tmp_path)
    (line,) = (line for line in shown.splitlines() if "not covered" in line)
    assert code == 0, shown
    assert f"version (0.0.1; this is {__version__})" in line
    assert f"proof.versions (numpy 1.0; here highspy {installed('highspy')}" in line
    assert "proof.limits" in line
    assert "the files beside it (map, report, tables, exports)" in line


def test_versions_at_work_here_are_compared(once: Path, capsys: Capture) -> None:
    capsys.readouterr()
    assert main(["check", str(once / "property"), "--plan", "--out", str(once / "out")]) == 0
    (line,) = (line for line in capsys.readouterr().out.splitlines() if "not covered" in line)
    assert "version" not in line.replace("proof.limits", "")


def test_a_field_that_stands_twice_is_refused(once: Path, tmp_path: Path, capsys: Capture) -> None:
    """Readers differ in which of two fields they take: one could show what the other was not checked for."""
    shutil.copytree(once, tmp_path, dirs_exist_ok=True)
    path = tmp_path / "out" / "plan.json"
    text = path.read_text(encoding="utf-8")
    path.write_text(text.replace('"cost":', '"cost": 1.0, "cost":', 1), encoding="utf-8")
    capsys.readouterr()
    assert main(["check", str(tmp_path / "property"), "--plan", "--out", str(tmp_path / "out")]) == 2
    assert "the field 'cost' stands twice in one table" in capsys.readouterr().err


def _one_route_instead_of_two(plan: Record) -> None:
    for route in plan["routes"]:
        route["second_devices"], route["second_links"] = [], []
        route["second_note"] = ""


def _said_to_be_impossible(plan: Record) -> None:
    """Drop the second post and say that no second route exists."""
    _one_route_instead_of_two(plan)
    lost = _device(plan, "North post")
    lost["in_plan"] = False
    plan["proof"]["cost"] -= lost["cost"]
    plan["proof"] |= {"lower_bound": plan["proof"]["cost"], "certified_bound": 0.0, "certificate": {}}
    miss = {"nearest": "", "missing_db": 0.0, "reason": "with everything offered in use none is left", "remedies": []}
    plan["single_routes"] = [{"sensor": "Trough", **miss}]


def _settings_forgotten(plan: Record) -> None:
    plan["made_with"]["settings"] = {}


TWO_ROUTES: dict[str, Callable[[Record], None]] = {
    "one route where two are asked": _one_route_instead_of_two,
    "two routes said to be impossible": _said_to_be_impossible,
    "the setting forgotten": _settings_forgotten,
    "both routes by one post": lambda plan: _route(plan, "Trough").update(
        second_devices=_route(plan, "Trough")["devices"], second_links=_route(plan, "Trough")["links"]
    ),
    "a relay said to fail without harm": _set("loses_service", {"House": [], "North post": [], "South post": []}),
}


@pytest.mark.parametrize("name", TWO_ROUTES)
def test_no_forgery_of_second_routes_is_accepted(name: str, twice: Path, tmp_path: Path, capsys: Capture) -> None:
    code, shown = _forged(twice, TWO_ROUTES[name], capsys, tmp_path)
    assert code == 2, shown
    assert "the plan holds" not in shown


def test_a_route_asked_by_one_sensor_cannot_be_dropped(tmp_path: Path, capsys: Capture) -> None:
    """Asked in the sites file for a single sensor, with no rule in property.toml."""
    sites = changed(usual_sites(), {"Trough": {"second_route": "yes"}})
    lay_small_property(tmp_path / "made" / "property", sites=sites)
    assert main(["plan", str(tmp_path / "made" / "property"), "--out", str(tmp_path / "made" / "out"), "-q"]) == 0
    code, shown = _forged(tmp_path / "made", _said_to_be_impossible, capsys, tmp_path / "forged")
    assert code == 2
    assert "Trough can have two routes" in shown


@pytest.mark.parametrize(("time_s", "iterations"), [(1e-6, 1), (None, 1), (1e-6, 200)])
def test_the_plan_does_not_say_how_hard_the_check_may_look(
    time_s: float | None, iterations: int, tmp_path: Path, capsys: Capture
) -> None:
    """The trough is worth 85 and its post costs 80: served, the value is 224. A plan without it has 229 and says "proven"."""
    folder = tmp_path / "made"
    sites = changed(usual_sites(), {"Trough": {"optional": "yes", "worth": 85}})
    lay_small_property(folder / "property", sites=sites)
    words = ["plan", str(folder / "property"), "--out", str(folder / "out"), "-q", "--set", "requirement.budget=150"]
    assert main(words) == 1

    def on_the_word_of_no_search(plan: Record) -> None:
        plan["made_with"]["settings"] = {}
        plan["proof"] |= {"certificate": {}, "certified_bound": 0.0, "lower_bound": 229.0, "gap": 0.0, "optimal": True}
        plan["proof"]["limits"] = {"time_s": time_s, "iterations": iterations, "seed": 1}
        plan["proof"]["sentence"] = (
            "Proven: no other choice of the offered sites, heights and routes serves these sensors for less. "
            "Bound from the solver, not certified."
        )

    code, shown = _forged(folder, on_the_word_of_no_search, capsys, tmp_path / "forged")
    assert code == 2, shown
    assert "the same can be had for 224.00 EUR; the plan claims that nothing costs below 229.00" in shown


def test_what_rests_on_the_solver_is_searched_again_and_says_so(once: Path, tmp_path: Path, capsys: Capture) -> None:
    """A true bound without its certificate: the plan must say that it is not certified, and the check confirms it by a search."""

    def forget_certificate(plan: Record) -> None:
        plan["proof"] |= {"certificate": {}, "certified_bound": 0.0}
        plan["proof"]["sentence"] += " Bound from the solver, not certified."

    code, shown = _forged(once, forget_certificate, capsys, tmp_path)
    assert code == 0, shown
    assert "run again to confirm it" in shown


def test_the_words_name_what_was_forged(once: Path, tmp_path: Path, capsys: Capture) -> None:
    for name, words in {
        "nobody can be served": "Bed, Trough can be served",
        "a useless relay, proven": "the same can be had for 224.00 EUR",
        "a bound without certificate": "claims a lower bound of 1000000000.00 EUR, and itself costs 224.00",
        "another hash": "sites.csv has changed since the plan was made",
        "a file kept quiet": "is read now, and the plan was made without it",
        "another device height": "devices[House].antenna_agl_m says 9.0, the folder gives 4.0",
        "no cost": "plan.proof.cost: is empty, and a number is needed",
    }.items():
        code, shown = _forged(once, ONE_ROUTE[name], capsys, tmp_path / name)
        assert code == 2
        assert words in shown, (name, shown)


def test_again_compares_what_only_the_solver_tells(once: Path, tmp_path: Path, capsys: Capture) -> None:
    shutil.copytree(once, tmp_path, dirs_exist_ok=True)
    path = tmp_path / "out" / "plan.json"
    words = ["check", str(tmp_path / "property"), "--plan", "--again", "--out", str(tmp_path / "out")]
    assert main(words) == 0
    document = json.loads(path.read_text(encoding="utf-8"))
    document["plan"]["what_more_buys"] = ["Twice the money would buy nothing."]
    path.write_text(json.dumps(document), encoding="utf-8")
    capsys.readouterr()
    assert main(words) == 2
    assert "what_more_buys" in capsys.readouterr().out


GENUINE: list[tuple[str, ...]] = [
    (),
    ("--set", BOTH),
    ("--set", 'requirement.second_route="any one relay or gateway"'),
    ("--set", "requirement.hop_limit=1"),
    ("--set", BOTH, "--set", "requirement.second_hop_limit=1"),
    ("--set", BOTH, "--set", "requirement.second_hop_limit=4"),
    ("--set", "requirement.budget=150"),
    ("--set", "requirement.budget=230", "--set", BOTH),
    ("--set", "cost.relay=10", "--set", 'seasons=["bare", "snow"]'),
    ("--set", "requirement.route_chance=0.9", "--set", "terrain.k_factor=1.2"),
    ("--radio", "css-868-sf7", "--seconds", "20"),
    ("--set", "country=europe", "--set", "generate_relays=5"),
]


@pytest.mark.parametrize("words", GENUINE, ids=" ".join)
def test_a_genuine_plan_is_accepted_with_the_settings_it_was_made_with(
    words: tuple[str, ...], tmp_path: Path, capsys: Capture
) -> None:
    _make(tmp_path, *words)
    capsys.readouterr()
    code = main(["check", str(tmp_path / "property"), "--plan", "--out", str(tmp_path / "out")])
    shown = capsys.readouterr().out
    assert code == 0, shown
    for word in words:
        if "=" in word:
            assert word.split("=")[0] in shown


@pytest.mark.slow
@pytest.mark.parametrize("folder", ["ossaby_terrace", "ossaby_terrace_30m", "mirrowick_bottom", "pellimoor_orchard"])
@pytest.mark.parametrize(
    "words", [(), ("--set", BOTH), ("--radio", "fsk-868-1k2", "--set", "requirement.budget=500")], ids=" ".join
)
def test_genuine_plans_of_the_demos_are_accepted(folder: str, words: tuple[str, ...], tmp_path: Path, capsys: Capture) -> None:
    assert main(["plan", str(SITES / folder), "--out", str(tmp_path), "-q", *words]) in (0, 1)
    capsys.readouterr()
    code = main(["check", str(SITES / folder), "--plan", "--out", str(tmp_path)])
    assert code == 0, capsys.readouterr().out


def test_a_changed_file_is_named(once: Path, tmp_path: Path, capsys: Capture) -> None:
    shutil.copytree(once, tmp_path, dirs_exist_ok=True)
    write_sites(tmp_path / "property" / "sites.csv", changed(usual_sites(), {"South post": {"cost": 81}}))
    capsys.readouterr()
    assert main(["check", str(tmp_path / "property"), "--plan", "--out", str(tmp_path / "out")]) == 2
    shown = capsys.readouterr().out
    assert "sites.csv has changed since the plan was made" in shown
    assert "property.toml has changed" not in shown


def test_a_second_limit_that_the_plan_does_not_keep_is_told(twice: Path, tmp_path: Path, capsys: Capture) -> None:
    """The plan has second routes of two links; said to be made with a limit of one, it must not hold."""

    def shorter(plan: Record) -> None:
        plan["made_with"]["settings"]["requirement.second_hop_limit"] = 1

    code, shown = _forged(twice, shorter, capsys, tmp_path)
    assert code == 2
    assert "more than 1" in shown


def test_the_plan_says_that_a_short_second_route_cannot_be(tmp_path: Path, capsys: Capture) -> None:
    made = _make(tmp_path, "--set", BOTH, "--set", "requirement.second_hop_limit=1")
    plan = json.loads((made / "out" / "plan.json").read_text(encoding="utf-8"))["plan"]
    assert [miss["sensor"] for miss in plan["single_routes"]] == ["Trough"]
    assert "no route of at most 1 link would be left" in plan["single_routes"][0]["reason"]
    assert all(device["in_plan"] is False for device in plan["devices"] if device["name"] == "North post")


def test_a_plan_is_not_checked_for_a_radio_that_it_was_not_made_with(once: Path, capsys: Capture) -> None:
    words = ["check", str(once / "property"), "--plan", "--out", str(once / "out")]
    assert main([*words, "--radio", "fsk-868-4k8"]) == 2
    shown = capsys.readouterr()
    assert "the plan was made with fsk-868-50k, not with fsk-868-4k8" in shown.out + shown.err
    assert main([*words, "--radio", "fsk-868-50k"]) == 0


def test_a_choice_of_gateways_says_that_it_lacks_second_routes(tmp_path: Path, capsys: Capture) -> None:
    """Of two gateways that may fail one is needed: the trough behind the bank has one post only."""
    sites = [row for row in usual_sites() if row["name"] != "North post"]
    lay_small_property(tmp_path / "property", sites=sites)
    words = ["plan", str(tmp_path / "property"), "--out", str(tmp_path / "out"), "-q", "--set", BOTH]
    assert main(words) == 1
    plan = json.loads((tmp_path / "out" / "plan.json").read_text(encoding="utf-8"))["plan"]
    assert len(plan["single_routes"]) == 1
    told = plan["gateway_options"][0]["sentence"]
    assert "2 sensors served (1 of them without the second route asked for) with 1 relay" in told
    assert main(["check", str(tmp_path / "property"), "--plan", "--out", str(tmp_path / "out")]) == 0


ALTERNATIVES: dict[str, Any] = {
    "what_more_buys": ["A hop limit of 4 would save 200 EUR."],
    "better_radio": "Another class serves everybody for nothing.",
    "redundancy_prices": [],
    "gateway_options": [],
}


@pytest.mark.parametrize("field", ALTERNATIVES)
def test_what_a_plan_says_of_other_plans_is_worked_out_anew_where_that_is_quick(
    field: str, once: Path, tmp_path: Path, capsys: Capture
) -> None:
    code, shown = _forged(once, _set(field, ALTERNATIVES[field]), capsys, tmp_path)
    assert code == 2, shown
    assert field in shown
