"""A `Case` in; what was seen, nothing, or what is lacking out. A module a family of findings, each with its `RULES`, which the
engine finds by itself, in the order of the modules' names: of one `cycle`, of the `machine` over the log, of the log itself (`trust`).
"""
