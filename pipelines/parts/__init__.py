"""A fleet in parts: which vehicles make one, where its readings come from, who works on it."""
