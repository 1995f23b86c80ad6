"""What rules are shown, in one `Case`: `courses` (how each measure went over the log), `stops`, `refrigerant`, `visits` and `elsewhere`, then `case`.
On top of it `standards` (what stands outside the log), `swing` and `signals`; beside it `parts` (a log cut in time) and `energy_limits`.
"""
