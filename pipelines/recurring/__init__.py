"""Stage recurring: what keeps coming back across the fleet, and whether repairs held."""
