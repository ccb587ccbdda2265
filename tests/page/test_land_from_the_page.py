"""Land from open data, asked for on the page: what would be asked is data first, and nobody is asked before somebody says yes."""

from __future__ import annotations

import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from loopback import Handler, Loopback, serving
from open_desk import Client, open_desk
from small_property import lon_lat

from meshplan.cli.open import run_command
from meshplan.inputs.settings_file import read_settings
from meshplan.page.contents import things_of

OSM = b"""<?xml version="1.0" encoding="UTF-8"?>
<osm version="0.6" generator="invented"><note>invented</note><meta osm_base="2026-11-01T00:00:00Z"/>
<node id="1" lat="48.0088" lon="-21.2000"/><node id="2" lat="48.0092" lon="-21.2000"/><node id="3" lat="48.0092" lon="-21.1990"/>
<way id="10"><nd ref="1"/><nd ref="2"/><nd ref="3"/><nd ref="1"/><tag k="natural" v="wood"/></way>
</osm>
"""
SOURCE = """
[[source]]
name = "mirror-osm"
title = "invented map"
gives = "features"
access = "question"
address = "{url}/interpreter"
licence = "invented database licence"
credit = "© invented mappers"
"""


@pytest.fixture
def mirror() -> Iterator[Loopback]:
    def answer(handler: Handler) -> None:
        handler.send_response(200)
        handler.send_header("Content-Type", "application/osm3s+xml")
        handler.send_header("Content-Length", str(len(OSM)))
        handler.end_headers()
        handler.wfile.write(OSM)

    with serving() as server:
        server.answers["/interpreter"] = answer
        yield server


def finished(client: Client, **message: Any) -> dict[str, Any]:
    status, job = client.do("/do/job", **message)
    assert status == 200, job
    for _ in range(4800):
        found = next(one for one in client.ask("/ask/jobs")[1]["jobs"] if one["job"] == job["job"])
        if found["state"] not in ("waiting", "running"):
            return dict(found)
        time.sleep(0.05)
    raise AssertionError("the job did not come to its end")


@pytest.mark.slow
def test_land_is_shown_first_fetched_after_a_yes_and_named_as_a_step(tmp_path: Path, mirror: Loopback) -> None:
    folder = tmp_path / "new"
    lon, lat = lon_lat(300, 300)
    only = {"elevation": ["none"], "features": ["mirror-osm"], "land_cover": ["none"], "private_hosts": [mirror.host]}
    with open_desk(folder, command=run_command) as (client, _):
        assert client.do("/do/begin", name="Ostrow", place={"lat_deg": lat, "lon_deg": lon})[0] == 200
        (folder / "land_sources.toml").write_text(SOURCE.format(url=mirror.url))
        told = finished(client, kind="land-preview", **{"with": only})
        assert told["state"] == "done", told["said"]
        wish = told["data"]["would_ask"][0]
        assert (wish["source"], wish["licence"], wish["credit"]) == (
            "mirror-osm",
            "invented database licence",
            "© invented mappers",
        )
        assert wish["expected_mb"] > 0
        west, south, east, north = told["data"]["needed_west_south_east_north"]
        assert west < lon < east
        assert south < lat < north
        assert mirror.log == [], "a look asks nobody"
        status, refused = client.do("/do/job", kind="land", **{"with": only})
        assert (status, "says yes" in refused["faults"][0]["problem"]) == (422, True)
        status, refused = client.do("/do/job", kind="land", yes="true", **{"with": only})
        assert status == 422, "a yes is a yes, no word"
        assert mirror.log == []
        told = finished(client, kind="land", yes=True, **{"with": only})
        assert told["state"] == "done", told["said"]
        assert told["command"].startswith("meshplan land ")
        assert told["stage"] == "Asking for the land"
        assert len(mirror.log) == 1
        assert told["data"]["fetched"] == ["land/mirror-osm.osm"]
        assert read_settings(folder).cover == (), "property.toml is left alone"
        status, done = client.do("/do/lines", job=told["job"])
        assert (status, done["step"]["files"]) == (200, ["property.toml"])
        assert read_settings(folder).cover == ("land/mirror-osm.osm",)
        assert things_of(folder)["faults"] == []
        client.do("/do/back")
        assert read_settings(folder).cover == ()
        preview = finished(client, kind="land-preview", **{"with": only})
        assert preview["data"]["would_ask"] == [], "what is there is not asked for again"
        assert client.do("/do/lines", job=preview["job"])[0] == 422
