"""A word or a cell in; what it means out. Nothing here knows a file.
`stamp_patterns` (how a time is written), `cell_kinds` (number, time, error word), `units` of measure, `roles` of channels.
"""
