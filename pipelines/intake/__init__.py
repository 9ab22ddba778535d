"""Intake: files of a drop in, checked rows, quarantine and flags out (data acquisition)."""
