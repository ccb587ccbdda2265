"""The heavy parts of a run on other processes or machines, with the bytes that one machine writes.

`engine` alone imports Dask, and only when a cluster is asked for; what a task does (`path_tasks`), how its result is kept
(`part_files`) and what must be alike on every worker (`likeness`) know nothing of it.
"""
