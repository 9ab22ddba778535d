"""The store: versioned DuckDB files behind a pointer, loads, evidence, published tables."""
