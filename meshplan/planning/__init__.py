"""Graph problem in, plan out: which gateways and relays to open, at least cost, with a proof."""
