"""Measures → what is off, why, and what to check next.

`methods` (over arrays), `masks` (which cycles tell what), `evidence` (the `Case`), `rules` (what is off), `advice` (why, and what next);
`engine` runs them, `comparison` holds two logs against each other.
"""
