"""Channels of several loggers in; the same on the one clock of the unit out, a clamp's about: the cycles tell the rest (`cycles.clocks`).
In order: `shared_events` (what two loggers both saw), `clock_offset` (how far their clocks are apart), `unit_clock` (all of it).
"""
