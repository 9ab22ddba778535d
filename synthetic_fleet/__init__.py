"""Makes a fleet with known truth: engines, modules, defects, workshops, weather and dirt. Knows nothing of pipelines."""
