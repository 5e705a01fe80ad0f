"""Many testers on one question: published archives rechecked, then combined.

`taken` reads one archive into an `Entry` or says why not; `apart` keeps those that don't belong
together, or come twice, apart; `known` combines the rest; `page`, `told` and `write` show it.
"""
