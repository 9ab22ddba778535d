"""Which vehicles are unlike their peers, and in what: isolation forest, robust distance, reasons."""
