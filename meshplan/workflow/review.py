"""Look after a network that runs: its plan and its logs in, what needs attention out."""

from __future__ import annotations

import datetime
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from meshplan.assembly.page_records import MeasuredPoint
from meshplan.errors import InputError, MeshplanError
from meshplan.inputs.log_names import kept_names
from meshplan.inputs.logs import read_logs
from meshplan.inputs.radios import read_batteries
from meshplan.records import Plan, Role
from meshplan.records.review import Review
from meshplan.reporting.file_sets import all_or_nothing
from meshplan.reporting.review_files import write_review_tables
from meshplan.reporting.review_page import write_review_page
from meshplan.review.expect import expected_devices
from meshplan.review.review import review_network
from meshplan.workflow.progress import OnProgress, silent

FOLDER = "review"
"""Where the results lie, inside those of the property."""


@dataclass(frozen=True, eq=False)
class Reviewed:
    """What a review says, and what it was made from."""

    review: Review
    plan: Plan


def review_logs(
    plan: Plan,
    logs: Sequence[Path],
    *,
    folder: Path | None = None,
    columns: Mapping[str, str] | None = None,
    names: Mapping[str, str] | None = None,
    zone: str = "",
    table: str = "",
    until: str = "",
    counter_bits: int = 0,
    on_progress: OnProgress | None = None,
) -> Reviewed:
    """Return what the logs of a running network say against its plan.

    Parameters
    ----------
    plan : Plan
    logs : sequence of Path
        CSV, JSON lines, SQLite or Parquet.
    folder : Path, optional
        The property, for cells that it adds to the catalogue and for the numbers that its devices keep (device_numbers.csv).
    columns, names, zone, table
        As for `inputs.logs.read_logs`.
    until : str
        Day (or moment) up to which is looked, such as that of a scheduled run; by default the last row. A gateway that has been
        silent since then shows only with it.
    counter_bits : int
        Width of the packet counters; 0: as their values show.
    """
    tell = on_progress or silent
    expected = expected_devices(plan, read_batteries(folder))
    if not expected:
        raise InputError("the plan serves no sensor", where=plan.property_name, fix="Plan again until sensors are served.")
    until_s = _moment_s(until) if until else None
    tell("Reading the logs", 0, 0)
    rows = read_logs(
        logs,
        [each.name for each in expected],
        columns=columns,
        names=kept_names(folder, [each.name for each in expected]) | dict(names or {}),
        zone=zone,
        table=table,
        until_s=until_s,
        receivers=_hearers(plan),
    )
    try:
        tell("Looking at every device", 0, 0)
        last_s = rows.last_s if until_s is None else until_s
        found = review_network(expected, rows.devices(), first_s=rows.first_s, last_s=last_s, bits=counter_bits)
    finally:
        rows.close()
    review = Review(
        property_name=plan.property_name,
        first_s=rows.first_s,
        last_s=last_s,
        rows=rows.rows,
        devices=found.devices,
        findings=found.findings,
        unheard=found.unheard,
        blind=found.blind,
        notes=tuple(rows.notes),
        files=rows.files,
    )
    return Reviewed(review, plan)


def write_review(
    reviewed: Reviewed, results: Path, *, folder: Path | None = None, on_progress: OnProgress | None = None
) -> tuple[tuple[Path, ...], str]:
    """Write page, tables and readings, with a property folder a map too; return their paths, and why there is no map.

    Parameters
    ----------
    folder : Path, optional
        The property, for the land under the map.
    """
    tell = on_progress or silent
    why_no_map = ""
    with all_or_nothing(results) as scratch:
        place = scratch / FOLDER
        files = [write_review_page(reviewed.review, place / "review.html"), *write_review_tables(reviewed.review, place)]
        if folder is not None:
            tell("Drawing the map", 0, 0)
            try:
                files.append(_write_map(reviewed, folder, place / "map.html"))
            except MeshplanError as error:
                why_no_map = f"No map: {error.where + ': ' if error.where else ''}{error.problem}."
        names = [path.relative_to(scratch) for path in files]
    return tuple(results / name for name in names), why_no_map


def _write_map(reviewed: Reviewed, folder: Path, path: Path) -> Path:
    # Page and land are heavy, and a scheduled run may do without both.
    from meshplan.reporting.map import write_map  # noqa: PLC0415
    from meshplan.workflow.plan import land_of_map  # noqa: PLC0415
    from meshplan.workflow.prepare import prepare_property  # noqa: PLC0415

    made = reviewed.plan.made_with
    prepared = prepare_property(folder, radio=made.radio or None, overrides=made.settings or None)
    land = land_of_map(reviewed.plan, prepared, measured=measured_points(reviewed))
    return write_map(reviewed.plan, land, path)


def measured_points(reviewed: Reviewed) -> tuple[MeasuredPoint, ...]:
    """Return each device of which the log has a level, with the worst that was found of it."""
    places = {device.name: device for device in reviewed.plan.devices}
    worst: dict[str, str] = {}
    for finding in reviewed.review.findings:
        for name in (finding.device, *finding.others):
            worst.setdefault(name, finding.sentence)
    points = []
    for each in reviewed.review.devices:
        device = places[each.expected.name]
        month = int(datetime.datetime.fromtimestamp(reviewed.review.last_s, tz=datetime.UTC).month)
        levels = each.expected.level_by_month_dbm
        if not math.isfinite(each.level_dbm) or not levels:
            continue
        note = worst.get(device.name, "Nothing to attend to.")
        points.append(
            MeasuredPoint(device.name, device.lon_deg, device.lat_deg, round(each.level_dbm, 1), round(levels[month - 1], 1), note)
        )
    return tuple(points)


def _hearers(plan: Plan) -> dict[str, str]:
    """Return how a log may call those that hear: by the name that the plan gives them, or by that of their site."""
    hubs = [device for device in plan.devices if device.in_plan and device.role is not Role.SENSOR]
    return {device.site: device.name for device in hubs if device.site} | {device.name: device.name for device in hubs}


def _moment_s(words: str) -> float:
    """Return the end of a day, or a moment, in universal time."""
    try:
        moment = datetime.datetime.fromisoformat(words)
    except ValueError as error:
        raise InputError(f"'{words[:60]}' is no day", where="--until", fix="Write it as 2026-05-04 or 2026-05-04T14:30.") from error
    moment = moment if moment.tzinfo else moment.replace(tzinfo=datetime.UTC)
    if len(words.strip()) <= 10:
        moment += datetime.timedelta(days=1, seconds=-1)
    return moment.timestamp()
