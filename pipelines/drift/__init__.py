"""Which corrections stray, since when, how fast, and how much leeway is left."""
