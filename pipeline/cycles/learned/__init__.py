"""What was learned from simulated machines: small networks of dilated convolutions (`network`), whose weights stand beside them."""
