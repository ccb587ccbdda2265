"""Everything that puts decibels together for one path."""
