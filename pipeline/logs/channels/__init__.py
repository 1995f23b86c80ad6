"""Tables of the files of a unit in; its channels, each with unit and role, out.
In order: `same_logger` (files that continue each other), `channels` (columns to channels), `inference` (units and roles that no
header says).
"""
