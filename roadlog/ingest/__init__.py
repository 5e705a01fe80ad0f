"""Reading logs of any logger: delimited text and GPX into one frame of canonical signals."""
