"""What people enter: what each kind of entry must say, which entries count at a time, and how they lie over data."""
