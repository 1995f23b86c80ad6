"""Timeline and cycle record in; numbers and masks that rules look at out, in one `Case`.
Below: `statistics`, `conditions`, `refrigerant`, `energy_limits`; then `doubtful`, `stalls`, `aftermath` (cycles that tell nothing),
`case`; on top of it `changes` and `signals`.
"""
