"""Cycles laid upon each other: `superpose`; what a template says of an act: `acts`, `onsets`. `period`, `repeats` (by `shapes`, `breaks` and
`interleaved`): what a lone channel shows again and again."""
