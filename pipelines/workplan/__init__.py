"""What to do about which vehicle, how soon, in which bay on which day."""
