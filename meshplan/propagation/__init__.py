"""Numbers in, decibels out: one file for each family of formulas.

Nothing here knows of sites, files or maps. Profiles are arrays whose last axis runs along the path; axes in front of it
are links. How the pieces add up to one path loss, and which of them exclude each other, is decided in `meshplan.links`.
"""
