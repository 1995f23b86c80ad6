"""Channels of several loggers in; the same on the one clock of the unit out.
In order: `shared_events` (what two loggers both saw), `clock_offset` (how far their clocks are apart), `departure` and `superposed` (a line
against a current, to seconds), `unit_clock` (all of it).
"""
