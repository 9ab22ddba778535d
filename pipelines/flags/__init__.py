"""What of a new reading does not fit its vehicle's others: flags; nothing is changed."""
