"""Results to JSON, tables, figures, map and one self-contained page."""
