"""Cycles laid upon each other: `superpose`."""
