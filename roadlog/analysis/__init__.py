"""The whole analysis, from log files to an `Analysed`."""
