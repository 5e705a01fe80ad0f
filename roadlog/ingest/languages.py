"""Everyday header words of the commonest European languages beside English.

In come nothing; `EVERYDAY_WORDS` adds to the English words of `roadlog.signals` the ones that
loggers set to another language write. They are plain dictionary words, from memory; a column whose
word is missing here is listed as unmatched and can be named in `[columns]`.
"""

EVERYDAY_WORDS: dict[str, tuple[str, ...]] = {}

TIME_WORDS_ABROAD: dict[str, tuple[str, ...]] = {"time": (), "elapsed": (), "date": ()}
