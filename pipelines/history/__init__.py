"""Each vehicle's past put in order: clock, kilometres, learning epochs, fault events, what is wrong with its record."""
