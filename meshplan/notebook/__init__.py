"""meshplan for notebooks and scripts: one call for each command, and plans that show themselves.

Everything here is reached from the top: `import meshplan; plan = meshplan.plan("my_folder")`.
"""
