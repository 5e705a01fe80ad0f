"""roadlog: from drive logs to a bounded change in fuel use, held against a seller's claim."""

__version__ = "0.1.0"
