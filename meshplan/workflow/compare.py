"""Every radio class on the same property, side by side."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

from meshplan.assembly.comparison import advise, mark_best_settings, planned_row, refused_row
from meshplan.errors import InputError, nearest_name
from meshplan.explain.unmapped_words import unmapped_line
from meshplan.links.link_table import LinkTable, with_stations
from meshplan.loss.uncertainty import ErrorFields, draw_error_fields
from meshplan.operation.open_ground import range_curve
from meshplan.planning.problem import SolveLimits
from meshplan.records import Comparison, ComparisonRow, Role
from meshplan.records.radio import RadioMode
from meshplan.workflow.learned import links_as_asked
from meshplan.workflow.plan import PathsAsked, PathsBy, compute_all_links, solved_and_running
from meshplan.workflow.prepare import COMPARE, Base, Prepared, equip, read_base
from meshplan.workflow.progress import OnProgress, silent

SAME_FREQUENCY = 1e-4
"""Frequencies within this share of each other use the same path losses: a comparison tells what a plan tells, to 0.01 dB."""


def compare_radios(
    folder: Path,
    *,
    classes: Sequence[str] = (),
    overrides: dict[str, Any] | None = None,
    limits: SolveLimits | None = None,
    calibrated: bool = False,
    paths_by: PathsBy | None = None,
    on_progress: OnProgress | None = None,
) -> Comparison:
    """Return the property planned once for each radio class and setting, with a recommendation.

    Where places name a class of their own, the mixture they ask for is one row more.

    Parameters
    ----------
    folder, overrides
        As for `read_base`. A radio, frequency or power named in the settings is not used here.
    classes : sequence of str
        Keys of the classes to compare, with or without a setting; if empty those of property.toml if it names several, else all.
    limits : SolveLimits, optional
        For each plan.
    calibrated : bool
        Whether to use what readings taught, as kept in the property folder; classes of other bands keep their forecast.
    paths_by : callable, optional
        What computes the paths in place of this process.
    on_progress : callable, optional
    """
    tell = on_progress or silent
    tell("Reading the property", 0, 0)
    base = read_base(folder, overrides=overrides)
    names = _names_to_compare(base, classes)
    error_fields = draw_error_fields(base.landscape)
    tables: list[LinkTable] = []
    rows: list[ComparisonRow] = []
    lawful: dict[str, list[RadioMode]] = {}
    reported: tuple[str, ...] = ()
    for number, name in enumerate(names):
        tell("Comparing radios", number, len(names))
        prepared = equip(base, name, mixed=False)
        if not prepared.lawfulness.lawful:
            rows.append(_refused(base, prepared))
            continue
        lawful.setdefault(prepared.radio.class_key, []).append(prepared.radio)
        table, reported = _as_asked(base, _links(tables, prepared, name, error_fields, paths_by), calibrated=calibrated)
        rows.append(_planned(base, prepared, table, limits))
    mixture = equip(base, base.found.settings.radio[0])
    if mixture.parts and (not classes or all(part.radio.class_key in classes for part in mixture.parts)):
        rows.append(_mixture_row(base, mixture, error_fields, limits, paths_by, calibrated=calibrated))
    tell("Comparing radios", len(names), len(names))
    marked = mark_best_settings(rows)
    unmapped = unmapped_line(base.landscape.mapped)
    advice = advise(marked, base.found.settings.cost.currency)
    return Comparison(
        property_name=base.found.settings.name,
        country=base.catalogue.region.title,
        rows=marked,
        recommendation=" ".join(advice.sentences),
        chosen=advice.best,
        runner_up=advice.runner_up,
        currency=base.found.settings.cost.currency,
        assumptions=(*((unmapped,) if unmapped else ()), *base.found.assumptions, *base.landscape.assumptions, *reported),
        curves=tuple(range_curve(modes) for modes in lawful.values()),
    )


def _names_to_compare(base: Base, classes: Sequence[str]) -> list[str]:
    """Return the settings of the wanted classes, in the order of the catalogue; a class stands for all its settings."""
    listed = base.found.settings.radio
    if not classes and len(listed) > 1 and COMPARE not in listed:
        classes = listed
    settings = {
        f"{key}-{setting.name}" if len(radio.settings) > 1 else key: key
        for key, radio in base.classes.items()
        for setting in radio.settings
    }
    known = {*base.classes, *(name.casefold() for name in settings)}
    wanted = {name.casefold() for name in classes}
    for name in classes:
        if name.casefold() not in known:
            fix = f"Name any of: {', '.join(base.classes)}."
            raise InputError(f"radio class '{name}' is not known.{nearest_name(name, base.classes)}", where="--radio", fix=fix)
    return [name for name, key in settings.items() if not wanted or key in wanted or name.casefold() in wanted]


def _links(
    tables: list[LinkTable], prepared: Prepared, name: str, error_fields: ErrorFields, paths_by: PathsBy | None
) -> LinkTable:
    """Return the links of a radio, from a table of its band if there is one."""
    for table in tables:
        known = table.stations[0].radio.frequency_mhz
        if abs(known - prepared.radio.frequency_mhz) <= SAME_FREQUENCY * known:
            return with_stations(table, prepared.stations)
    asked = PathsAsked(name, prune=False, alike=True)
    tables.append(compute_all_links(prepared, error_fields=error_fields, asked=asked, paths_by=paths_by))
    return tables[-1]


def _as_asked(base: Base, table: LinkTable, *, calibrated: bool) -> tuple[LinkTable, tuple[str, ...]]:
    return links_as_asked(table, base.found.folder, base.landscape.grid.crs, calibrated=calibrated, command="compare")


def _mixture_row(
    base: Base,
    prepared: Prepared,
    error_fields: ErrorFields,
    limits: SolveLimits | None,
    paths_by: PathsBy | None,
    *,
    calibrated: bool,
) -> ComparisonRow:
    """Return the row of the classes that the places of the property name."""
    if not prepared.lawfulness.lawful:
        return _refused(base, prepared)
    asked = PathsAsked(base.found.settings.radio[0])
    links = compute_all_links(prepared, error_fields=error_fields, asked=asked, paths_by=paths_by)
    table, _ = _as_asked(base, links, calibrated=calibrated)
    return _planned(base, prepared, table, limits)


def _planned(base: Base, prepared: Prepared, table: LinkTable, limits: SolveLimits | None) -> ComparisonRow:
    settings = base.found.settings
    problem, result, _, running = solved_and_running(prepared, table, limits=limits)
    board = base.catalogue.boards[settings.supply.sensor_board]
    modes = [part.radio for part in prepared.parts] or [prepared.radio]
    return planned_row(modes, table, problem, result, running, board, settings.cost.sensor)


def _refused(base: Base, prepared: Prepared) -> ComparisonRow:
    settings = base.found.settings
    sensors = sum(site.role is Role.SENSOR for site in base.found.sites)
    verdict = prepared.lawfulness
    change = verdict.changes[0] if verdict.changes else ""
    board = base.catalogue.boards[settings.supply.sensor_board]
    return refused_row(prepared.radio, verdict.sentence, change, sensors, board)
