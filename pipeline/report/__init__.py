"""Findings, measures and timeline → pages and machine files."""
