"""Everything known, put together into the plan record."""
