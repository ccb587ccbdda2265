"""Fixtures of the map's tests; what they are stands in `map_browser`."""

from map_browser import browser, map_file, open_map

__all__ = ["browser", "map_file", "open_map"]
