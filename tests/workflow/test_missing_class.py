"""A sensor whose class no gateway carries is told so, with the column that would mend it, and the mend mends it."""

from __future__ import annotations

from pathlib import Path

from small_property import changed, lay_small_property, usual_sites

from meshplan.workflow import plan_property


def test_a_gateway_without_the_class_of_the_sensors_is_named(tmp_path: Path) -> None:
    """The house carries the faster setting only; posts and sensors are planned with the slower one."""
    house = {"House": {"radio": "fsk-868-50k"}}
    lay_small_property(tmp_path / "before", sites=changed(usual_sites(), house))
    plan = plan_property(tmp_path / "before", radio="fsk-868-4k8").plan
    assert {miss.sensor for miss in plan.unserved} == {"Bed", "Trough"}
    for miss in plan.unserved:
        assert miss.reason.endswith("no gateway carries fsk-868-4k8: name it too in column 'radio' of House")
    both = {"House": {"radio": "fsk-868-50k+fsk-868-4k8"}}
    lay_small_property(tmp_path / "after", sites=changed(usual_sites(), both))
    assert not plan_property(tmp_path / "after", radio="fsk-868-4k8").plan.unserved


def test_a_gateway_that_carries_the_class_is_not_blamed(tmp_path: Path) -> None:
    rows = changed(usual_sites(), {"North post": {"use": "forbidden"}, "South post": {"use": "forbidden"}})
    plan = plan_property(lay_small_property(tmp_path, sites=rows)).plan
    assert [miss.sensor for miss in plan.unserved] == ["Trough"]
    assert "no gateway carries" not in plan.unserved[0].reason
