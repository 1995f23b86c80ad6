"""Clock columns in; int64 nanoseconds UTC, in order of time, out.
In order: `clock_columns` (which they are), `stamp_parser` and `numeric_dates` (cells to parts), `date_order`, `time_zones`,
`to_utc` (all of it), `time_order` (rows out of sequence).
"""
