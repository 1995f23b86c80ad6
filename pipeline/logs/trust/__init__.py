"""Channels in; which of their samples cannot be relied on, and why, out.
In order: `sample_checks` (sample by sample), `cycling` (does a trace show cycles), `detached` (a probe that no longer follows),
`doubts` (said in words).
"""
