"""A plan and its links as a notebook wants them: short to look at, as data frames, as a graph, as map and sections."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, overload

from meshplan.errors import InputError, nearest_name
from meshplan.notebook.pages import Page, Picture
from meshplan.records import Comparison, Device, Link, Plan, Role, Route
from meshplan.records.short_form import Facts, ShortForm, html_rows
from meshplan.units import percent_words

if TYPE_CHECKING:
    import geopandas
    import networkx as nx
    import pandas as pd

    from meshplan.links.coverage import Coverage
    from meshplan.workflow.plan import Planned

MOST_ROWS_SHOWN = 12


class PlanLink(ShortForm):
    """One link of a plan, or one between two places. All fields of `records.Link` are there by the same names."""

    def __init__(self, record: Link, plan: Plan | None = None, assumptions: tuple[str, ...] = ()) -> None:
        self.record = record
        """The whole record."""
        self.assumptions = assumptions
        """What was assumed, for a link that was asked for by itself."""
        self._plan = plan

    def __getattr__(self, name: str) -> Any:
        if name.startswith("_") or name == "record":
            raise AttributeError(name)
        return getattr(self.record, name)

    def __eq__(self, other: object) -> bool:
        return isinstance(other, PlanLink) and self.record == other.record

    def __hash__(self) -> int:
        return hash((self.record.key, self.record.frequency_mhz))

    def short_facts(self) -> Facts:
        """Return ends, length, chance and verdict."""
        return self.record.short_facts()

    def plot(self, *, width_px: int = 720, height_px: int = 300) -> Picture:
        """Return the section through the land with the first Fresnel zone and the tightest place marked.

        Every link of the plan's routes has its section; other candidates may say that none was kept.
        """
        from meshplan.reporting.profile_chart import profile_svg

        svg = profile_svg(self.record, self._plan, width=width_px, height=height_px)
        return Picture(f"{self.record.a} to {self.record.b}", svg)

    def budget(self, season: str | None = None) -> pd.DataFrame:
        """Return every line of the budget from a to b in one season (the worst by default), to be added up."""
        import pandas as pd

        result = self.record.season(season or self.record.worst_season)
        lines = [*self.record.gains_a_to_b, *result.losses]
        return pd.DataFrame(
            {
                "line": [line.name for line in lines],
                "db": [line.signed_db for line in lines],
                "source": [line.source for line in lines],
            }
        )


class PlanLinks(Sequence[PlanLink]):
    """The links of a plan: those of its routes first, then the other candidates that were worth keeping."""

    def __init__(self, plan: Plan, records: tuple[Link, ...]) -> None:
        self._plan = plan
        self._records = records

    @overload
    def __getitem__(self, index: int) -> PlanLink: ...
    @overload
    def __getitem__(self, index: slice) -> PlanLinks: ...
    def __getitem__(self, index: int | slice) -> PlanLink | PlanLinks:
        if isinstance(index, slice):
            return PlanLinks(self._plan, self._records[index])
        return PlanLink(self._records[index], self._plan)

    def __len__(self) -> int:
        return len(self._records)

    def __iter__(self) -> Iterator[PlanLink]:
        return (PlanLink(record, self._plan) for record in self._records)

    def __repr__(self) -> str:
        return f"PlanLinks({len(self)} links, {sum(record.chosen for record in self._records)} in the plan)"

    def _repr_html_(self) -> str:
        rows = [
            (link.a, link.b, f"{link.distance_m:.0f} m", f"{link.margin_db:.1f} dB", percent_words(link.chance), link.verdict)
            for link in self._records[:MOST_ROWS_SHOWN]
        ]
        more = f", the first {MOST_ROWS_SHOWN}" if len(self) > MOST_ROWS_SHOWN else ""
        return html_rows(f"{len(self)} links{more}", ("a", "b", "distance", "margin", "chance", "verdict"), rows)

    @property
    def chosen(self) -> PlanLinks:
        """The links that carry routes."""
        return PlanLinks(self._plan, tuple(record for record in self._records if record.chosen))

    def between(self, a: str, b: str) -> PlanLink:
        """Return the link between two devices, in whichever order; the surest if there are several."""
        found = [record for record in self._records if {record.a, record.b} == {a, b}]
        if not found:
            known = [device.name for device in self._plan.devices]
            unknown = next((name for name in (a, b) if name not in known), "")
            hint = nearest_name(unknown, known) if unknown else ""
            raise InputError(
                f"the plan keeps no link between '{a}' and '{b}'.{hint}",
                where="arguments 'a' and 'b'",
                fix="Name two devices of the plan; meshplan.profile(folder, a, b) computes any link.",
            )
        return PlanLink(max(found, key=lambda record: record.chance), self._plan)

    def to_frame(self) -> pd.DataFrame:
        """Return one row a link with the columns of links.csv."""
        frame = _frame(self._plan, "links")
        return frame[frame["link"].isin([record.key for record in self._records])].reset_index(drop=True)


class PropertyPlan(ShortForm):
    """A plan that shows itself. `record` is the whole plan, `planned` what it was made from (None for a plan read from a file)."""

    def __init__(self, record: Plan, planned: Planned | None = None) -> None:
        self.record = record
        self.planned = planned

    def short_facts(self) -> Facts:
        """Return what is bought, who is served, and how sure that is."""
        return self.record.short_facts()

    def _repr_html_(self) -> str:
        routes = [(route.sensor, " → ".join(route.devices[1:]), percent_words(route.chance)) for route in self.record.routes]
        more = f", the first {MOST_ROWS_SHOWN}" if len(routes) > MOST_ROWS_SHOWN else ""
        title = f"{len(routes)} routes{more}"
        return super()._repr_html_() + html_rows(title, ("sensor", "by way of", "chance"), routes[:MOST_ROWS_SHOWN])

    @property
    def links(self) -> PlanLinks:
        """Links of the plan first, then the other candidates."""
        return PlanLinks(self.record, self.record.links)

    @property
    def devices(self) -> tuple[Device, ...]:
        """Every site as the plan uses it, or could have used it."""
        return self.record.devices

    @property
    def gateways(self) -> tuple[Device, ...]:
        """Gateways of the plan."""
        return tuple(device for device in self.record.devices if device.in_plan and device.role is Role.GATEWAY)

    @property
    def relays(self) -> tuple[Device, ...]:
        """Relays of the plan."""
        return tuple(device for device in self.record.devices if device.in_plan and device.role is Role.RELAY)

    @property
    def routes(self) -> tuple[Route, ...]:
        """How each served sensor reaches a gateway."""
        return self.record.routes

    @property
    def assumptions(self) -> tuple[str, ...]:
        """All that was assumed."""
        return self.record.assumptions

    @property
    def cautions(self) -> tuple[str, ...]:
        """Safety first: what to look out for before anything is built."""
        return self.record.cautions

    def to_frame(self, table: str = "devices") -> pd.DataFrame:
        """Return a table of the plan: links, budgets, devices, routes, unserved, single_routes, parts, legal or loses_service."""
        return _frame(self.record, table)

    def to_geodataframe(self, layer: str = "devices") -> geopandas.GeoDataFrame:
        """Return a layer of the plan in WGS 84: devices, links, routes or shapes."""
        from meshplan.reporting.exports import geo_frames

        frames = geo_frames(self.record)
        if layer not in frames:
            raise _unknown("layer", layer, frames)
        return frames[layer][1]

    def graph(self, *, chosen_only: bool = False) -> nx.MultiGraph:
        """Return devices and links as a networkx graph.

        Nodes carry role, place (lon_deg, lat_deg), in_plan and served; edges have the link's key and carry distance_m, margin_db,
        chance, verdict and in_plan. Two radios at one place may give two edges between the same nodes.
        """
        import networkx as nx

        links = self.record.chosen_links if chosen_only else self.record.links
        used = {name for link in links for name in (link.a, link.b)}
        graph = nx.MultiGraph(name=self.record.property_name)
        for device in self.record.devices:
            if chosen_only and device.name not in used:
                continue
            facts = {"lon_deg": device.lon_deg, "lat_deg": device.lat_deg, "antenna_agl_m": device.antenna_agl_m}
            graph.add_node(device.name, role=device.role.value, in_plan=device.in_plan, served=device.served, **facts)
        for link in links:
            facts = {"distance_m": link.distance_m, "margin_db": link.margin_db, "chance": link.chance}
            graph.add_edge(link.a, link.b, key=link.key, verdict=link.verdict, in_plan=link.chosen, **facts)
        return graph

    def map(self, *, height_px: int = 640) -> Page:
        """Return the interactive map, which a notebook shows by itself; it needs no network."""
        from meshplan.reporting.map import render_map
        from meshplan.workflow.plan import map_land

        planned = self._made("the map needs the land")
        return Page(f"Map of {self.record.property_name}", render_map(self.record, map_land(planned)), height_px)

    def coverage(self, **options: Any) -> Coverage:
        """Return where a further sensor would work, over the whole land; options are those of `compute_coverage`."""
        from meshplan.workflow.coverage import compute_coverage

        prepared = self._made("the coverage needs the land").prepared
        return compute_coverage((prepared.parts or (prepared,))[0], self.record, **options)[0]

    def save(self, folder: Path | str) -> tuple[Path, ...]:
        """Write map, report, tables and exports into a folder as `meshplan plan` does; return the paths."""
        from meshplan.workflow.plan import write_plan

        return write_plan(self._made("writing needs the land"), Path(folder))

    def _made(self, why: str) -> Planned:
        if self.planned is None:
            raise InputError(
                f"{why}, and this plan was read from a file",
                where="plan from a file",
                fix="Make it again with meshplan.plan(folder).",
            )
        return self.planned


class RadioComparison(ShortForm):
    """All radio classes planned on one property; `record` is the whole comparison."""

    def __init__(self, record: Comparison) -> None:
        self.record = record

    def short_facts(self) -> Facts:
        """Return the class to take and the runner-up."""
        return self.record.short_facts()

    @property
    def recommendation(self) -> str:
        """What to take and why."""
        return self.record.recommendation

    def to_frame(self) -> pd.DataFrame:
        """Return one row a class and setting, best first."""
        import pandas as pd

        from meshplan.reporting.comparison_text import comparison_rows

        return pd.DataFrame(comparison_rows(self.record)["rows"])

    def plot(self) -> Picture:
        """Return the chart of classes, each with the share of sensors it serves."""
        from meshplan.reporting.comparison_files import comparison_svg

        return Picture(f"Radio classes at {self.record.property_name}", comparison_svg(self.record))


def _frame(plan: Plan, name: str) -> pd.DataFrame:
    """Return one table of a plan as a data frame."""
    import pandas as pd

    from meshplan.reporting.plan_files import csv_tables

    tables = csv_tables(plan)
    name = {"goes_dark": "loses_service"}.get(name, name)  # its name before
    if name not in tables:
        raise _unknown("table", name, tables)
    header, rows = tables[name]
    return pd.DataFrame(list(rows), columns=list(header))


def _unknown(what: str, name: str, known: Any) -> InputError:
    return InputError(
        f"a plan has no {what} '{name}'.{nearest_name(name, known)}",
        where=f"{what} asked for",
        fix=f"Use one of {', '.join(known)}.",
    )
