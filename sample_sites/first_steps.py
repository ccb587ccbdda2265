"""First steps with meshplan in a notebook: open this file where cells marked `# %%` are understood, or run it as a script.

`python sample_sites/first_steps.py` plans one of the invented properties beside it and a field made of three points and an array.
In a notebook the last line of a cell shows itself; here `show` prints what would be shown.
"""

# %% The functions on plain numbers need no property.
from __future__ import annotations

from pathlib import Path

import geopandas
import numpy as np
from shapely.geometry import Point

import meshplan

show = print
HERE = Path(__file__).parent

show("free space over 1 km at 868 MHz:", round(float(meshplan.free_space_loss_db(1000.0, 868.0)), 1), "dB")
show("first Fresnel zone in the middle:", round(float(meshplan.fresnel_radius_m(1, 500.0, 500.0, 868.0)), 1), "m")
distance_m = np.linspace(0.0, 1000.0, 101)
bank_amsl_m = 50.0 + 10.0 * np.exp(-(((distance_m - 500.0) / 20.0) ** 2))
over_bank_db = float(meshplan.terrain_loss_db(distance_m, bank_amsl_m, 2.0, 1.0, 868.0))
show("and over a bank of 10 m:", round(over_bank_db, 1), "dB more")
show("chance of a link with 15 dB in hand:", round(float(meshplan.link_chance(15.0, 8.0, 8.2)), 2))

# %% A property folder: what is in it, and what would be assumed.
report = meshplan.check(HERE / "ossaby_terrace")
show(report.title)

# %% The plan. It shows itself as a small table; `plan.record` is the whole of it.
plan = meshplan.plan(HERE / "ossaby_terrace")
show(plan)

# %% Its links as a data frame, the weakest first.
links = plan.links.chosen.to_frame().sort_values("chance")
show(links[["a", "b", "distance_m", "margin_db", "chance", "verdict"]].head(3).to_string(index=False))

# %% One link: its section through the land and its budget line by line.
weakest = min(plan.links.chosen, key=lambda link: link.chance)
show(weakest.plot())
show(weakest.budget()[["line", "db"]].to_string(index=False))

# %% For other tools: a GeoDataFrame, a networkx graph.
show(plan.to_geodataframe("devices").geometry.total_bounds.round(4))
graph = plan.graph(chosen_only=True)
show(graph.number_of_nodes(), "devices in use,", graph.number_of_edges(), "links")

# %% The interactive map shows itself in a notebook; `plan.map().save("map.html")` keeps it.
show(plan.map())

# %% A property without files: points and an array. Everything else works on it as on a folder.
sites = geopandas.GeoDataFrame(
    {
        "name": ["Tank", "Gate", "House"],
        "role": ["sensor", "sensor", "gateway"],
        "antenna_agl_m": [1.0, 1.2, 6.0],
        "power": ["battery", "battery", "mains"],
    },
    geometry=[Point(480_150, 5_317_100), Point(480_420, 5_317_330), Point(480_300, 5_317_200)],
    crs="EPSG:32627",
)
east, north = np.meshgrid(np.arange(120) * 5.0, 500.0 - np.arange(100) * 5.0)
field = meshplan.property_from(
    sites,
    100.0 + 0.02 * east + 3.0 * np.sin(north / 60.0),
    west_m=480_000.0,
    north_m=5_317_500.0,
    cell_m=5.0,
    crs="EPSG:32627",
    name="Sloping field",
    error_m=0.3,
    country="europe",
    radio="css-868-sf7",
    land_cover={"mapped": "all"},
)
show(meshplan.plan(field))
