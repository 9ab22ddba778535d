"""Which vehicle will set a fault, and when: a hazard learned from the fleet's own past."""
