"""Plan in, files out: the only writer. Everything shown is a field of the plan."""
