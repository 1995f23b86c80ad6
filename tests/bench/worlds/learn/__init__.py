"""Learning of the networks that the pipeline asks."""
