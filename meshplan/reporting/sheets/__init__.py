"""Paper for the field: a cover, one page a site, and a table for the readings."""

from meshplan.reporting.sheets.packet import write_sheets

__all__ = ["write_sheets"]
