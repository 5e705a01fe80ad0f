"""Weather beside the road: tables and reports of a station, and how far it stands from it."""
