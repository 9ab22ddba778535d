"""SQL on the published tables, fenced: read-only, no file, no network, limits of time, memory and rows that hold."""
