"""Logger files of batch ice machines in; freezes, harvests, findings and a report out."""

__version__ = "0.1.0"
