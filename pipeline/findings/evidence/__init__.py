"""Timeline and cycle record in; numbers and masks that rules look at out, in one `Case`.
Below: `statistics`, `conditions`, `change`, `refrigerant`, `energy_limits`; then `courses` (how each measure went), `doubtful`, `stalls`, `aftermath` (cycles that
tell nothing), `stops`, `visits`, `parts`, `standards` (what stands outside the log), `case`; on top of it `swing` and `signals`.
"""
