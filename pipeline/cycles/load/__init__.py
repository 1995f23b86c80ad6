"""A load that comes and goes beside the compressor: `fans`, by its steps (`sharp`)."""
