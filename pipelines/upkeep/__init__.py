"""Upkeep of a store that is left running: what is due, what was done, backups and their rotation."""
