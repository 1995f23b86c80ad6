"""What the machine as a whole does over the log: starts and stops, heat, supplies, output, slow change."""
