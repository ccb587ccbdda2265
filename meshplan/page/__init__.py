"""The page on the user's own machine: edits of a property folder as ordinary files, forms, a guarded server, plans as one works."""
