"""From cells to segments: `changepoints`, `segments`; and `runs`, the stretches of one phase that the segments are named to be."""
