"""Profiles and radios in, links out: losses, budgets, chances, the link graph."""
