"""Stations of changed rows, made as a plan makes them: what remedies are forecast with."""

from __future__ import annotations

from dataclasses import replace

from meshplan.explain.remedies import Correct, Workshop
from meshplan.links.build_stations import build_stations
from meshplan.links.link_table import LinkTable
from meshplan.loss.uncertainty import ErrorFields, draw_error_fields
from meshplan.records import Site
from meshplan.records.station import Station
from meshplan.workflow.prepare import Prepared, lawful_at, power_at


def workshop_of(
    prepared: Prepared, links: LinkTable, correct: Correct | None = None, *, error_fields: ErrorFields | None = None
) -> Workshop:
    """Return what remedies for the links of a property may use, over the elevation draws that the links were computed with."""
    parts = {part.radio.name: part for part in prepared.parts or (prepared,)}
    carry_errors = links.elevation_shift_db.shape[1] > 0

    def rebuild(station: Station, site: Site) -> Station | None:
        part = parts.get(station.radio.name, prepared)
        base = part.base
        # A change that is none of height leaves a mast of several heights at the one that is meant.
        raised = site.antenna_agl_m != station.site.antenna_agl_m
        height_m = site.antenna_agl_m if raised else station.antenna_agl_m
        found, _ = build_stations(
            (replace(site, mast_heights_agl_m=() if raised else (height_m,)),),
            base.landscape,
            station.radio,
            base.antennas,
            base.cables,
            base.found.settings,
            power_at(base),
        )
        built = next(each for each in found if each.antenna_agl_m == height_m)
        if not lawful_at(base, built):
            return None
        return replace(built, key=station.key)

    return Workshop(
        rebuild,
        prepared.base.antennas,
        prepared.base.cables,
        (error_fields or draw_error_fields(prepared.landscape)) if carry_errors else None,
        correct,
    )
