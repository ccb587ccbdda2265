"""Words and reasons made from numbers."""
