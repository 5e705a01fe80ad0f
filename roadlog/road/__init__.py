"""From positions to a network of directed segments with elevation and grade."""
