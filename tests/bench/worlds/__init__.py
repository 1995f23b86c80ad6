"""Batch ice machines whose structure is drawn at random, not only their numbers, with the truth beside each log.

`structure` (the choices, and which of them are only ever scored) → `draw` (one world a seed; its numbers: `machine`, `sizing`) →
`physics` (what happens, second by second) → `probes` (what clips and clamps read) → `simulate` (the log, its truth, its files) →
`scorer`, `__main__` (the bench). `none`: logs of what is no batch machine.
"""
