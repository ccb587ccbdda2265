"""What devices are programmed with, and the numbers that they keep."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from meshplan.assembly.device_settings import device_settings
from meshplan.assembly.running import Running
from meshplan.assembly.slot_plan import SlotPlan, plan_slots
from meshplan.inputs.device_numbers import NUMBERS_FILE, read_device_numbers, together
from meshplan.links.link_table import LinkTable
from meshplan.planning.problem import PlacementPlan
from meshplan.records import Plan
from meshplan.records.device_settings import DeviceNumber, DevicesFile
from meshplan.reporting.file_sets import recover
from meshplan.workflow.airtime import running_of
from meshplan.workflow.prepare import Prepared


def settings_of_devices(
    plan: Plan, prepared: Prepared, links: LinkTable, placement: PlacementPlan, folder: Path
) -> tuple[DevicesFile, tuple[DeviceNumber, ...]]:
    """Return what the devices of a plan are programmed with, and all numbers given away, those of an earlier plan in `folder` too.

    A number of the property folder counts before one of the earlier plan.
    """
    recover(folder)
    kept = together(prepared.base.numbers, read_device_numbers(folder / NUMBERS_FILE))
    slots = slots_of(plan, prepared, links, running_of(prepared, links, placement))
    return device_settings(plan, links.stations, prepared.found.settings, kept, slots)


def slots_of(plan: Plan, prepared: Prepared, links: LinkTable, running: Running) -> SlotPlan:
    """Return the slots of a plan, or why there are none."""
    return plan_slots(plan, running, links, prepared.base.catalogue.region, prepared.found.settings)


def write_devices(
    devices: DevicesFile, numbers: Sequence[DeviceNumber], folder: Path, *, headers: bool = False
) -> tuple[Path, ...]:
    """Write settings, schema and numbers of devices, and a C header for each if asked; return their paths."""
    from meshplan.reporting.device_files import (  # noqa: PLC0415
        DEVICES_NAME,
        SCHEMA_NAME,
        write_device_numbers,
        write_devices_json,
        write_devices_schema,
    )
    from meshplan.reporting.device_headers import HEADERS_FOLDER, write_headers  # noqa: PLC0415

    return (
        write_devices_json(devices, folder / "exports" / DEVICES_NAME),
        write_devices_schema(folder / "exports" / SCHEMA_NAME),
        write_device_numbers(numbers, [each.number for each in devices.devices], folder / NUMBERS_FILE),
        *(write_headers(devices, folder / "exports" / HEADERS_FOLDER) if headers else ()),
    )
