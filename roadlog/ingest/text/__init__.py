"""Text, its dialect, its cells and its headings; small tables that somebody keeps by hand."""
