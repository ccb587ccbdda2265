"""Where a task enters a worker: GDAL is shut to addresses and foreign files before anything there imports it.

A task therefore carries plain text and numbers: unpickling a record would import the modules that know it, and GDAL with them.
"""

from __future__ import annotations

from meshplan.inputs.gdal_drivers import close_doors


def compute_rows(job: str, first: int, last: int) -> int:
    """Compute rows of a job (`path_tasks.PathJob` as text) as `path_tasks.compute_rows`."""
    close_doors()
    from meshplan.cluster import path_tasks  # noqa: PLC0415 - it brings GDAL

    return path_tasks.compute_rows(path_tasks.PathJob.from_text(job), first, last)


def compute_land(job: str, key: str) -> str:
    """Compute the land for a transmitter of a job (`land_tasks.LandJob` as text) as `land_tasks.compute_land`."""
    close_doors()
    from meshplan.cluster import land_tasks  # noqa: PLC0415 - it brings GDAL

    return land_tasks.compute_land(land_tasks.LandJob.from_text(job), key)
