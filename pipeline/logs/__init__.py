"""Files → dialect → table → clock → units → channel roles → trust → one aligned `Timeline` a unit."""
