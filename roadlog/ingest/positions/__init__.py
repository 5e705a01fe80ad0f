"""Tracks and fixes: read, joined to a log, held against its speed."""
