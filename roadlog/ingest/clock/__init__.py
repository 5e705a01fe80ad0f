"""Columns of time to seconds since a log's start, and its day."""
