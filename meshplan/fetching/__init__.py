"""What comes over the network, byte by byte: the one client, parts of remote files, tiles, catalogues, map features.

Only `meshplan land` comes here. Nothing is written; nothing of meshplan is known but errors, records and sources.
"""
