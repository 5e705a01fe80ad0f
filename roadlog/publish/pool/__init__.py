"""Many testers on one question: published archives rechecked, then combined."""
