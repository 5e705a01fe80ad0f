"""The recorder's journal: its lines, its clock, and a journal read back as a `Log`."""
