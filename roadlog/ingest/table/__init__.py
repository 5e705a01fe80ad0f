"""A delimited log to a frame: rows, columns with their units, settled by values where need be."""
