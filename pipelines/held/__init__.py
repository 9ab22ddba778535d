"""What very likely is not what it says: batches of readings that are held until a person decides what they are."""
