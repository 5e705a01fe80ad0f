"""Numbers, intervals and paragraphs in words, alike on every screen and page."""
