"""meshplan: plan a radio network for sensors spread over a property."""

__version__ = "0.1.0"
