"""Methods over plain arrays, which know nothing of a record: `statistics`; `change` (none, step, ramp, to and fro), `conditions` (what air
and water do to a length)."""
