"""Cycles laid upon each other: `superpose`; when a lone current begins to move: `onsets`. `period`, `repeats` (by `shapes` and `breaks`):
what a lone channel shows again and again."""
