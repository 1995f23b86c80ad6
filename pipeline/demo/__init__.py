"""A physical simulator of batch ice machines: makes `sample_logs/` and seeds tests. Everything in it is invented."""
