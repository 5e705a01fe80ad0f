"""Air, road load and the earth as functions of numbers; no settings, no files."""
