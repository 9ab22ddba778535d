"""Going on from an earlier run: what is kept, whether its past is still as it was, and where each series goes on."""
