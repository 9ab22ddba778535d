"""Stage causes: what a drifting vehicle most likely has, and what to check next; the knowledge itself is data."""
