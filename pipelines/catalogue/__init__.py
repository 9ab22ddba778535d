"""Corrections, components, causes and the columns of every table: data files and their loader."""
