"""Runs as they were named, corrected for what few logs do: `halts`."""
