"""Measures → what is off, why, and what to check next."""
