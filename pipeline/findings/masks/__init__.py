"""Which cycles tell what, as masks (n,): each built from those before it, handed on as arguments.
In this order: `columns` (the record's own, nothing judged), `doubtful` (broken, spells, repeats, harvests that may be judged), `aftermath` (what the
freeze after a harvest tells of it), `stalls` (harvests that stalled, a function a kind), `steady` (misread freezes, steady ones).
"""
